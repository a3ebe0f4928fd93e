from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from training.dataset import read_marked_pictures
from training.import_coco import main, parse_groups, read_key
from triage.coco_import import import_coco
from triage.errors import RecordError

KEY = b"k" * 32


def write_coco(folder: Path, *boxes: dict[str, Any], **changes: Any) -> Path:
    """One picture of 80 x 60 px, and categories of which one has the name of a group."""
    folder.mkdir(exist_ok=True)
    pixels = np.random.default_rng(1).integers(0, 255, (60, 80, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(folder / "Bella.png")
    content = {
        "images": [{"id": 5, "file_name": "Bella.png", "width": 80, "height": 60, "specimen": "S-9"}],
        "annotations": [{"id": n, "image_id": 5, **box} for n, box in enumerate(boxes, start=1)],
        "categories": [{"id": 1, "name": "Oocyst"}, {"id": 2, "name": "Whip"}, {"id": 3, "name": "Fibre"}],
        **changes,
    }
    (folder / "their.json").write_text(json.dumps(content))
    return folder / "their.json"


def test_objects_are_mapped_by_name_and_by_table(tmp_path: Path) -> None:
    path = write_coco(
        tmp_path / "in",
        {"category_id": 1, "bbox": [5, 5, 20, 20]},
        {"category_id": 2, "bbox": [40, 10, 20, 12.5]},
        {"category_id": 3, "bbox": [30, 40, 9, 9]},
    )
    _, report = import_coco(
        path, tmp_path / "in", tmp_path / "set", key=KEY, groups={"Whip": "trichurid_egg"}
    )
    (picture,) = read_marked_pictures(tmp_path / "set")
    assert [(one.group, one.box_xyxy) for one in picture.objects] == [
        ("oocyst", (5, 5, 25, 25)),
        ("trichurid_egg", (40, 10, 60, 22.5)),
    ]
    assert picture.ignored_xyxy == ((30, 40, 39, 49),)
    assert report.mapped == {"Oocyst": "oocyst", "Whip": "trichurid_egg"}
    assert (report.unmapped, report.n_objects, report.refused) == ({"Fibre": 1}, 2, [])
    assert "Bella" not in (tmp_path / "set" / "annotations.json").read_text()


@pytest.mark.parametrize(
    ("box", "why"),
    [
        ({"category_id": 1, "bbox": [5, 5, 20]}, "four numbers"),
        ({"category_id": 1, "bbox": [5, 5, 0, 20]}, "four numbers"),
        ({"category_id": 1, "bbox": [5, float("nan"), 9, 20]}, "four numbers"),
        ({"category_id": 1}, "Its bbox is None"),
        ({"category_id": 1, "bbox": [90, 5, 20, 20]}, "outside the picture"),
        ({"category_id": 1, "bbox": [70, 5, 20, 20]}, "leaves the picture by more than a pixel"),
        ({"category_id": 9, "bbox": [5, 5, 20, 20]}, "category 9 is not in the file"),
        ({"category_id": 1, "bbox": [5, 5, 20, 20], "image_id": 77}, "Its image is not in the file"),
    ],
)
def test_annotations_that_cannot_be_taken_are_refused_by_name(
    tmp_path: Path, box: dict[str, Any], why: str
) -> None:
    _, report = import_coco(write_coco(tmp_path / "in", box), tmp_path / "in", tmp_path / "set", key=KEY)
    assert [row["what"] for row in report.refused] == ["annotation 1"]
    assert why in report.refused[0]["why"]
    assert report.n_objects == 0


def test_crowds_and_what_leaves_the_picture_are_never_background(tmp_path: Path) -> None:
    path = write_coco(
        tmp_path / "in",
        {"category_id": 1, "bbox": [5, 5, 20, 20], "iscrowd": 1},
        {"category_id": 1, "bbox": [70, 5, 20, 20]},
    )
    import_coco(path, tmp_path / "in", tmp_path / "set", key=KEY)
    (picture,) = read_marked_pictures(tmp_path / "set")
    assert picture.objects == () and picture.ignored_xyxy == ((5, 5, 25, 25), (70, 5, 80, 25))


@pytest.mark.parametrize(
    ("image", "why"),
    [
        ({"id": 6, "file_name": "gone.png"}, "'gone.png' is missing"),
        ({"id": 6, "file_name": "../their.json"}, "doesn't lie in the folder"),
        ({"id": 6, "file_name": "their.json"}, "their.json"),
        ({"id": 6, "file_name": "Bella.png"}, "same bytes as picture 5"),
        ({"id": 6}, "None doesn't lie"),
    ],
)
def test_pictures_that_cannot_be_taken_are_refused_by_name(
    tmp_path: Path, image: dict[str, Any], why: str
) -> None:
    first = {"id": 5, "file_name": "Bella.png", "width": 80, "height": 60}
    path = write_coco(tmp_path / "in", images=[first, image])
    _, report = import_coco(path, tmp_path / "in", tmp_path / "set", key=KEY)
    assert report.n_pictures == 1
    assert [(row["what"], why in row["why"]) for row in report.refused] == [("picture 6", True)]


def test_a_picture_of_another_size_than_stated_is_refused(tmp_path: Path) -> None:
    path = write_coco(
        tmp_path / "in", images=[{"id": 5, "file_name": "Bella.png", "width": 60, "height": 80}]
    )
    with pytest.raises(
        RecordError, match=r"1 refused; first: The file says 60 x 80 px, the picture has 80 x 60"
    ):
        import_coco(path, tmp_path / "in", tmp_path / "set", key=KEY)


def test_the_table_is_checked(tmp_path: Path) -> None:
    path = write_coco(tmp_path / "in")
    for groups, message in (
        ({"Whip": "worm"}, "no group named 'worm'"),
        ({"Whap": "oocyst"}, "lacks. It has: Fi"),
    ):
        with pytest.raises(RecordError, match=message):
            import_coco(path, tmp_path / "in", tmp_path / "set", key=KEY, groups=groups)
    with pytest.raises(RecordError, match="must be THEIRS=ours"):
        parse_groups(["Whip"])
    assert parse_groups(["a=b = oocyst"]) == {"a=b": "oocyst"}


def test_the_command_reports_and_refuses_in_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_coco(tmp_path / "in", {"category_id": 3, "bbox": [5, 5, 20, 20]})
    common = ["--coco", str(path), "--images", str(tmp_path / "in"), "--out", str(tmp_path / "set")]
    assert main([*common, "--key-file", str(tmp_path / "key")]) == 0
    assert "'Fibre' is none of our groups: 1 boxes became ignored regions" in capsys.readouterr().out
    assert json.loads((tmp_path / "set-import.json").read_text())["unmapped"]["Fibre"] == 1
    assert (tmp_path / "key").stat().st_mode & 0o077 == 0
    assert read_key(tmp_path / "key") == read_key(tmp_path / "key")
    assert main([*common, "--key-file", str(tmp_path / "key")]) == 1
    assert "isn't empty" in capsys.readouterr().err
    (tmp_path / "short").write_text("abc")
    assert main([*common, "--key-file", str(tmp_path / "short")]) == 1
    assert "has 3 characters" in capsys.readouterr().err
    path.write_text("[]")
    assert main([*common, "--key-file", str(tmp_path / "key")]) == 1
    assert "is no COCO file" in capsys.readouterr().err
