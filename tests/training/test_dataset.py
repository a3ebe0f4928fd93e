from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from PIL import Image
from torch import Tensor

from training.dataset import (
    MarkedObject,
    MarkedPicture,
    MarkedPictures,
    choose_factors,
    join_batches,
    labelled_batches,
    read_marked_pictures,
    to_target,
    with_ignored,
)
from training.parallel import Share
from training.supply import read_training_pictures
from training.targets import list_scales
from triage.errors import RecordError
from triage.groups import read_groups
from triage.labelled_set import LabelledImage, LabelledObject, write_labelled_set
from triage.records import Ellipse

NAMES = [group.name for group in read_groups()]


def a_picture(path: Path, *, width: int = 120, height: int = 80) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    pixels = np.full((height, width, 3), 200, dtype=np.uint8)
    pixels[20:40, 30:70] = 40
    Image.fromarray(pixels).save(path)
    return path


def write_coco(folder: Path, annotations: list[dict[str, Any]], **image: Any) -> Path:
    a_picture(folder / "images" / "a.png")
    rows = [{"id": number, "image_id": 3, "iscrowd": 0, **row} for number, row in enumerate(annotations)]
    content = {
        "images": [{"id": 3, "file_name": "a.png", "width": 120, "height": 80, **image}],
        "annotations": rows,
        "categories": [{"id": number, "name": name} for number, name in enumerate(NAMES, start=1)],
    }
    (folder / "annotations.json").write_text(json.dumps(content))
    return folder


EGG = {"category_id": 2, "bbox": [30, 20, 40, 20]}
WHOLE = {"cx": 50, "cy": 30, "major_px": 40, "minor_px": 20, "angle_deg": 5}


def test_target_has_torchvisions_form(tmp_path: Path) -> None:
    image, target = MarkedPictures(read_marked_pictures(write_coco(tmp_path, [{**EGG, "ellipse": WHOLE}])))[0]
    assert image.shape == (3, 80, 120) and image.dtype == torch.uint8
    assert target["boxes"].tolist() == [[30, 20, 70, 40]] and target["boxes"].dtype == torch.float32
    assert target["labels"].tolist() == [NAMES.index("strongylid_egg")]
    assert (target["image_id"].item(), target["area"].tolist(), target["iscrowd"].tolist()) == (3, [800], [0])
    assert target["ellipses"].tolist() == [[50, 30, 40, 20, 5]]
    # The box says where the dark rectangle is.
    assert image[:, 20:40, 30:70].max() == 40 and image[:, 19, 30:70].min() == 200


def test_picture_without_objects_has_a_target_of_zero_boxes(tmp_path: Path) -> None:
    _, target = MarkedPictures(read_marked_pictures(write_coco(tmp_path, [])))[0]
    assert target["boxes"].shape == (0, 4) and target["ellipses"].shape == (0, 5)
    assert target["labels"].shape == (0,)


def test_an_unknown_outline_is_not_a_number(tmp_path: Path) -> None:
    (marked,) = read_marked_pictures(write_coco(tmp_path, [EGG]))
    assert torch.isnan(to_target(marked)["ellipses"]).all()


def test_truth_leaves_out_look_alikes_and_ignores_cut_and_hidden_objects(tmp_path: Path) -> None:
    rows = [
        EGG,
        {**EGG, "category_id": NAMES.index("pollen") + 1, "bbox": [0, 0, 9, 9]},
        {**EGG, "bbox": [80, 0, 40, 9], "truncated": True},
        {**EGG, "bbox": [80, 40, 30, 30], "occluded": 0.7},
    ]
    regions = [{"bbox": [1, 2, 3, 4], "reason": "blurred"}]
    (marked,) = read_marked_pictures(write_coco(tmp_path, rows, ignore_regions=regions))
    truth = marked.to_truth()
    assert truth.groups == ("strongylid_egg",)
    assert truth.ignored_xyxy.tolist() == [[1, 2, 4, 6], [80, 0, 120, 9], [80, 40, 110, 70]]


def test_truth_keeps_alternative_boxes_of_a_difficult_object(tmp_path: Path) -> None:
    row = {**EGG, "difficult": True, "alternative_boxes": [[30, 20, 20, 20], [50, 20, 20, 20]]}
    (marked,) = read_marked_pictures(write_coco(tmp_path, [row]))
    assert marked.to_truth().alternatives[0].tolist() == [[30, 20, 50, 40], [50, 20, 70, 40]]


def test_ignored_regions_are_hidden_objects_in_training(tmp_path: Path) -> None:
    regions = [{"bbox": [1, 2, 3, 4]}]
    (marked,) = read_marked_pictures(write_coco(tmp_path, [EGG], ignore_regions=regions))
    target = with_ignored(to_target(marked))
    assert target["labels"].tolist() == [1, -1] and target["visible"].tolist() == [1, 0]


def test_a_target_says_the_pictures_scale_where_it_is_known(tmp_path: Path) -> None:
    targets = []
    for number, um_per_px in enumerate((0.5, None)):
        (marked,) = read_marked_pictures(write_coco(tmp_path / str(number), [EGG], um_per_px=um_per_px))
        targets.append(with_ignored(to_target(marked)))
    assert list_scales(targets) == [0.5, None]


def test_labelled_set_reads_back_what_was_marked(tmp_path: Path) -> None:
    objects = (
        LabelledObject((30, 20, 40, 20), "confirm", "oocyst", ellipse=Ellipse(50, 30, 40, 20, 5)),
        LabelledObject((0, 0, 10, 12), "reject", "air_bubble"),
        LabelledObject((90, 50, 20, 20), "unsure", "other_egg"),
    )
    image = LabelledImage(a_picture(tmp_path / "original.png"), "case 7", objects, um_per_px=0.5)
    write_labelled_set(tmp_path / "set", [image], key=b"key")
    (marked,) = read_marked_pictures(tmp_path / "set")
    assert [one.group for one in marked.objects] == ["oocyst", "air_bubble"]
    assert marked.objects[0].ellipse == (50, 30, 40, 20, 5)
    assert marked.ignored_xyxy == ((90, 50, 110, 70),)
    assert marked.um_per_px == 0.5 and marked.specimen.startswith("specimen-")


def test_a_changed_labelled_set_is_refused(tmp_path: Path) -> None:
    image = LabelledImage(a_picture(tmp_path / "original.png"), "case 7", ())
    write_labelled_set(tmp_path / "set", [image], key=b"key")
    a_picture(tmp_path / "set" / "images" / "000001.png", width=60)
    with pytest.raises(RecordError, match="was changed after the set was written"):
        read_marked_pictures(tmp_path / "set")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is no COCO file of marked pictures"),
        ("{}", "is no COCO file of marked pictures"),
        ('{"categories": [{"id": 1, "name": "unicorn"}]}', "no group named 'unicorn'"),
        (
            '{"categories": [], "annotations": [], "images": [{"id": 1, "file_name": "gone.png"}]}',
            r"gone\.png is missing",
        ),
    ],
)
def test_a_broken_file_is_refused(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "annotations.json").write_text(text)
    with pytest.raises(RecordError, match=message):
        read_marked_pictures(tmp_path)


def test_a_folder_without_annotations_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"annotations\.json can't be read"):
        read_marked_pictures(tmp_path)


def test_file_names_cannot_leave_the_folder(tmp_path: Path) -> None:
    a_picture(tmp_path / "outside.png")
    write_coco(tmp_path / "set", [], file_name="../../outside.png")
    with pytest.raises(RecordError, match=r"outside\.png is missing"):
        read_marked_pictures(tmp_path / "set")


def test_batches_of_squares_come_without_end_and_again_the_same(tmp_path: Path) -> None:
    pictures = read_marked_pictures(write_coco(tmp_path, [EGG]))
    some, again = (
        list(itertools.islice(labelled_batches(pictures, tile_px=64, n_tiles=3, seed=4, um_per_px=0.5), 3))
        for _ in range(2)
    )
    assert all(tiles.shape == (3, 3, 64, 64) and len(targets) == 3 for tiles, targets in some)
    assert all(torch.equal(a[0], b[0]) for a, b in zip(some, again, strict=True))


def test_batches_go_on_anywhere_and_shares_make_up_the_whole(tmp_path: Path) -> None:
    pictures = read_marked_pictures(write_coco(tmp_path, [EGG]))

    def cut(n: int, **more: Any) -> list[tuple[Tensor, Any]]:
        batches = labelled_batches(pictures, tile_px=64, n_tiles=4, seed=4, um_per_px=0.5, **more)
        return list(itertools.islice(batches, n))

    whole = cut(3)
    assert torch.equal(cut(1, start=2)[0][0], whole[2][0])
    halves = [cut(1, share=Share(rank, 2))[0][0] for rank in range(2)]
    assert torch.equal(torch.cat(halves), whole[0][0])


def a_marked_picture(um_per_px: float | None, length_px: float = 100.0) -> MarkedPicture:
    box = (0.0, 0.0, length_px, 20.0)
    marked = MarkedObject(box, "oocyst", None, is_truncated=False, visible=1.0, alternatives_xyxy=())
    return MarkedPicture(1, Path("a.png"), um_per_px, "a", (marked,), ())


@pytest.mark.parametrize(
    ("marked", "side_px", "factors"),
    [
        (a_marked_picture(0.25), 900, (0.2, 0.625)),
        (a_marked_picture(None), 900, (0.25, 2.0)),
        (a_marked_picture(None), 2000, (0.125, 1.0)),
        (a_marked_picture(None, 700.0), 900, (0.25, 0.5)),
        (a_marked_picture(None, 24.0), 900, (0.5, 2.0)),
        (a_marked_picture(None, 7000.0), 9000, (0.125, 0.125)),
    ],
)
def test_pictures_are_met_at_the_scales_that_they_are_served_at(
    marked: MarkedPicture, side_px: int, factors: tuple[float, float]
) -> None:
    assert choose_factors(marked, (side_px, 600), 0.5) == pytest.approx(factors)


def test_batches_of_no_pictures_are_refused() -> None:
    with pytest.raises(RecordError, match="holds no picture to train on"):
        next(labelled_batches([], tile_px=64, n_tiles=1, seed=1, um_per_px=0.5))


def test_batches_refuse_a_picture_of_the_judging_split(tmp_path: Path) -> None:
    free, locked = a_marked_picture(0.5), replace(a_marked_picture(0.5), split="judging")
    with pytest.raises(RecordError, match=r"1 of 2 pictures .* judging split, which is locked"):
        next(labelled_batches([free, locked], tile_px=64, n_tiles=1, seed=1, um_per_px=0.5))


def test_training_reads_the_train_split_alone_and_refuses_a_set_for_judging(tmp_path: Path) -> None:
    path = write_coco(tmp_path, [EGG]) / "annotations.json"
    content = json.loads(path.read_text())
    for split, n in (("train", 1), ("held_out", 0)):
        content["images"][0]["split"] = split
        path.write_text(json.dumps(content))
        assert len(read_training_pictures(tmp_path)) == n
    content["images"][0]["split"] = "judging"
    path.write_text(json.dumps(content))
    with pytest.raises(RecordError, match=r"which is locked: no training may read it\."):
        read_training_pictures(tmp_path)


def test_joined_batches_hold_both(tmp_path: Path) -> None:
    one = (torch.zeros(2, 3, 8, 8), [{}, {}])
    other = (torch.ones(1, 3, 8, 8), [{}])
    ((tiles, targets),) = join_batches([one], itertools.repeat(other))
    assert tiles.mean(dim=(1, 2, 3)).tolist() == [0, 0, 1] and len(targets) == 3
