from __future__ import annotations

import contextlib
import hashlib
import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pycocotools.coco import COCO

from triage.errors import RecordError
from triage.labelled_set import (
    LabelledImage,
    LabelledObject,
    LabelledSet,
    choose_split,
    name_specimen,
    read_labelled_set,
    write_labelled_set,
)
from triage.records import Ellipse

KEY = b"a hospital's own secret"


def save_original(folder: Path, name: str, value: int) -> Path:
    exif = Image.Exif()
    exif[0x010E] = "Bella, owner Marten, 3 May"
    folder.mkdir(exist_ok=True)
    Image.new("RGB", (80, 60), (value, 100, 100)).save(folder / name, exif=exif)
    return folder / name


@pytest.fixture
def images(tmp_path: Path) -> list[LabelledImage]:
    egg = LabelledObject(
        (10, 12.346, 30, 20),
        "confirm",
        "trichurid_egg",
        ellipse=Ellipse(25, 22, 30, 20, 0),
        length_um=75.5,
        is_adjudicated=True,
    )
    grain = LabelledObject((50, 30, 10, 10), "reject", "pollen")
    blob = LabelledObject((5, 40, 10, 10), "unsure", "oocyst", origin="reader")
    first = save_original(tmp_path / "in", "Bella of Marten.jpg", 10)
    second = save_original(tmp_path / "in", "Otto.jpg", 200)
    return [
        LabelledImage(
            first, "S-17 Bella", (egg, grain, blob), um_per_px=0.5, reads=("r1", "r2"), adjudications=("a1",)
        ),
        LabelledImage(second, "S-18 Otto", ()),
    ]


@pytest.fixture
def written(tmp_path: Path, images: list[LabelledImage]) -> LabelledSet:
    return write_labelled_set(tmp_path / "set", images, key=KEY)


def test_write_labelled_set_is_read_by_pycocotools(written: LabelledSet) -> None:
    with contextlib.redirect_stdout(io.StringIO()):
        coco = COCO(str(written.folder / "annotations.json"))
    assert sorted(coco.getImgIds()) == [1, 2]
    kinds = {coco.cats[row["category_id"]]["name"]: row["bbox"] for row in coco.loadAnns(coco.getAnnIds())}
    assert kinds == {"trichurid_egg": [10, 12.35, 30, 20], "pollen": [50, 30, 10, 10]}
    assert coco.getAnnIds(imgIds=[2]) == []


def test_write_labelled_set_keeps_our_extra_keys(written: LabelledSet) -> None:
    egg = written.annotations["annotations"][0]
    assert egg["ellipse"] == {"cx": 25, "cy": 22, "major_px": 30, "minor_px": 20, "angle_deg": 0}
    assert (egg["length_um"], egg["answer"], egg["adjudicated"]) == (75.5, "confirm", True)
    assert written.annotations["images"][0]["um_per_px"] == 0.5


def test_write_labelled_set_puts_what_readers_were_unsure_of_into_ignore_regions(
    written: LabelledSet,
) -> None:
    assert written.annotations["images"][0]["ignore_regions"] == [{"bbox": [5, 40, 10, 10]}]
    assert written.annotations["images"][1]["ignore_regions"] == []


def test_write_labelled_set_says_which_reads_the_labels_come_from(written: LabelledSet) -> None:
    entry = written.manifest["images"][0]
    assert (entry["reads"], entry["adjudications"]) == (["r1", "r2"], ["a1"])


def test_write_labelled_set_writes_the_upright_pixels(
    written: LabelledSet, images: list[LabelledImage]
) -> None:
    copy = np.asarray(Image.open(written.picture_path("000001.png")))
    original = np.asarray(Image.open(images[0].original))
    np.testing.assert_allclose(copy.astype(int), original.astype(int), atol=1)


def test_write_labelled_set_names_no_animal_owner_or_file(written: LabelledSet) -> None:
    for path in written.folder.rglob("*"):
        content = path.name.encode() + (path.read_bytes() if path.is_file() else b"")
        assert not any(word in content for word in (b"Bella", b"Marten", b"Otto", b"S-17"))


def test_write_labelled_set_gives_a_specimen_one_name_and_split(tmp_path: Path) -> None:
    originals = [save_original(tmp_path / "in", f"{value}.jpg", 40 * value) for value in range(6)]
    labelled = write_labelled_set(
        tmp_path / "set",
        [LabelledImage(path, f"S{index % 2}", ()) for index, path in enumerate(originals)],
        key=KEY,
    )
    pairs = {(entry["specimen"], entry["split"]) for entry in labelled.manifest["images"]}
    assert {name for name, _ in pairs} == {name_specimen("S0", KEY), name_specimen("S1", KEY)}
    assert len(pairs) == 2


def test_name_specimen_can_not_be_repeated_without_the_key() -> None:
    assert name_specimen("S-17", KEY) == name_specimen("S-17", KEY) != name_specimen("S-17", b"guess")


def test_choose_split_holds_back_what_it_says() -> None:
    splits = [choose_split(name_specimen(f"S-{number}", KEY)) for number in range(2000)]
    # Binomial with p 0.15: five standard deviations are 0.04.
    for split in ("held_out", "judging"):
        assert splits.count(split) / 2000 == pytest.approx(0.15, abs=0.04)


def test_choose_split_judges_on_nothing_that_older_sets_learnt_from() -> None:
    """Older sets held out the specimens whose hash begins below a fifth."""
    for number in range(500):
        name = name_specimen(f"S-{number}", KEY)
        place = int(hashlib.sha256(name.encode()).hexdigest()[:12], 16) / 16**12
        assert choose_split(name) != "judging" or place < 0.2


def test_pictures_of_one_animal_share_its_split(tmp_path: Path) -> None:
    """Twelve specimens of two animals, who are called in two ways each."""
    images = [
        LabelledImage(save_original(tmp_path / "in", f"{n}.png", 20 * n), f"S{n}", (), animal=called)
        for n, called in enumerate(["Bella Marten", " bella  marten"] * 3 + ["Otto", "OTTO "] * 3)
    ]
    labelled = write_labelled_set(tmp_path / "set", images, key=KEY)
    entries = labelled.manifest["images"]
    assert len({entry["specimen"] for entry in entries}) == 12
    assert len({(entry["animal"], entry["split"]) for entry in entries}) == 2
    assert "bella" not in json.dumps([labelled.manifest, labelled.annotations]).casefold()


def test_splits_stay_when_a_set_grows(tmp_path: Path) -> None:
    images = [
        LabelledImage(save_original(tmp_path / "in", f"{n}.png", 10 * n), f"S{n}", ()) for n in range(20)
    ]
    few = write_labelled_set(tmp_path / "few", images[::2], key=KEY).manifest["images"]
    all_of_them = write_labelled_set(tmp_path / "all", images[::-1], key=KEY).manifest["images"]
    splits = {entry["specimen"]: entry["split"] for entry in all_of_them}
    assert len(splits) == 20 and len(set(splits.values())) > 1
    assert all(splits[entry["specimen"]] == entry["split"] for entry in few)


def test_write_labelled_set_names_pictures_that_look_alike(tmp_path: Path) -> None:
    pixels = np.random.default_rng(3).integers(0, 255, (6, 8, 3), dtype=np.uint8)
    slide = Image.fromarray(pixels).resize((160, 120), Image.Resampling.BICUBIC)
    slide.save(tmp_path / "a.png")
    slide.resize((80, 60)).save(tmp_path / "b.jpg", quality=50)
    Image.fromarray(pixels[::-1].copy()).resize((160, 120)).save(tmp_path / "c.png")
    images = [LabelledImage(tmp_path / name, name, ()) for name in ("a.png", "b.jpg", "c.png")]
    (pair,) = write_labelled_set(tmp_path / "set", images, key=KEY).manifest["look_alike_pictures"]
    assert pair["file_names"] == ["000001.png", "000002.png"] and not pair["one_specimen"]


def test_write_labelled_set_keeps_its_rule_and_names_readers_by_hashes(tmp_path: Path) -> None:
    egg = LabelledObject((10, 10, 20, 20), "confirm", "oocyst", readers=("7", "3"))
    image = LabelledImage(
        save_original(tmp_path / "in", "a.png", 9), "S", (egg,), microscope="Ann's", coverslip="4"
    )
    labelled = write_labelled_set(tmp_path / "set", [image], key=KEY, rule={"microscopes": None})
    assert labelled.manifest["rule"] == {"microscopes": None}
    (annotation,), (row,) = labelled.annotations["annotations"], labelled.annotations["images"]
    assert len(annotation["readers"]) == 2 and all(one.startswith("reader-") for one in annotation["readers"])
    assert row["microscope"].startswith("microscope-") and row["coverslip"].startswith("coverslip-")


def test_write_labelled_set_takes_no_pictures(tmp_path: Path) -> None:
    assert write_labelled_set(tmp_path / "set", [], key=KEY).annotations["images"] == []


def test_write_labelled_set_refuses_a_folder_in_use(tmp_path: Path, images: list[LabelledImage]) -> None:
    with pytest.raises(RecordError, match="isn't empty"):
        write_labelled_set(tmp_path / "in", images, key=KEY)


def test_write_labelled_set_refuses_a_picture_twice(tmp_path: Path, images: list[LabelledImage]) -> None:
    with pytest.raises(RecordError, match="Picture 2 is in the set already"):
        write_labelled_set(tmp_path / "set", [images[0], images[0]], key=KEY)


@pytest.mark.parametrize("box", [(70, 0, 20, 10), (-1, 0, 5, 5), (0, 0, 0, 5), (0, 55, 5, 10)])
def test_write_labelled_set_refuses_boxes_outside(
    tmp_path: Path, images: list[LabelledImage], box: tuple[float, float, float, float]
) -> None:
    bad = LabelledImage(images[0].original, "S", (LabelledObject(box, "confirm", "oocyst"),))
    with pytest.raises(RecordError, match="must have a width and a height and lie inside 80 x 60 px"):
        write_labelled_set(tmp_path / "set", [bad], key=KEY)


@pytest.mark.parametrize(
    ("answer", "group", "message"),
    [
        ("positive", "oocyst", "must be 'confirm'"),
        ("reject", "oocyst", "no look-alike"),
        ("confirm", "x", "no group"),
    ],
)
def test_labelled_object_refuses(answer: str, group: str, message: str) -> None:
    with pytest.raises(RecordError, match=message):
        LabelledObject((0, 0, 5, 5), answer, group)


def test_read_labelled_set_notices_a_changed_picture(written: LabelledSet) -> None:
    with written.picture_path("000001.png").open("ab") as file:
        file.write(b"\0")
    with pytest.raises(RecordError, match=r"000001\.png was changed"):
        read_labelled_set(written.folder)


def test_read_labelled_set_notices_a_missing_picture(written: LabelledSet) -> None:
    written.picture_path("000002.png").unlink()
    with pytest.raises(RecordError, match=r"000002\.png is missing"):
        read_labelled_set(written.folder)


def test_read_labelled_set_notices_a_specimen_in_two_splits(written: LabelledSet) -> None:
    manifest = json.loads((written.folder / "manifest.json").read_text(encoding="utf-8"))
    first, second = manifest["images"]
    second["specimen"] = first["specimen"]
    first["split"], second["split"] = "train", "held_out"
    (written.folder / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    with pytest.raises(RecordError, match="sits in two splits"):
        read_labelled_set(written.folder)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "can't be read .No such file"),
        ("{", "is no JSON"),
        ("[]", "holds a list"),
        ("{}", "breaks its form .KeyError"),
        ('{"form": "other", "version": 1}', "is a 'other' of version 1"),
    ],
)
def test_read_labelled_set_refuses_a_broken_manifest(
    written: LabelledSet, content: str | None, message: str
) -> None:
    path = written.folder / "manifest.json"
    path.unlink()
    if content is not None:
        path.write_text(content, encoding="utf-8")
    with pytest.raises(RecordError, match=message):
        read_labelled_set(written.folder)
