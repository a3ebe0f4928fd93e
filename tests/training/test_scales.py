from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from training.dataset import MarkedPicture, read_marked_pictures
from training.metrics import FALSE, FOUND, NEITHER, Matches
from training.passes import AS_SERVED, WAYS
from training.scales import (
    Look,
    Share,
    compare,
    find_cut,
    group_looks,
    look_at_sizes,
    main,
    reduce_picture,
    sum_up,
    to_answer,
    to_table,
)
from triage.errors import RecordError
from triage.groups import read_groups
from triage.records import Detections

OWN_UM_PER_PX = 0.25
# Centre, length and width in pixels of the picture: 40 x 25 µm and 14 x 10 µm.
OBJECTS = ((150, 120, 160, 100), (320, 200, 56, 40))
NAMES = [group.name for group in read_groups()]


class DarkSpots:
    """A detector of whatever is dark; the larger, the surer."""

    name, weights_sha256, um_per_px, tile_px = "spots", "0" * 64, 0.5, 128
    record = SimpleNamespace(default_cut=0.5)

    def __init__(self) -> None:
        self.n_tiles = 0

    def detect(self, tiles: NDArray[np.uint8], um_per_px: object = None) -> list[Detections]:
        self.n_tiles += len(tiles)
        return [self._find(tile) for tile in tiles]

    def _find(self, tile: NDArray[np.uint8]) -> Detections:
        _, _, stats, centres = cv2.connectedComponentsWithStats((tile[..., 0] < 140).astype(np.uint8))
        x, y, width, height, area = stats[1:].T.astype(np.float64)
        boxes = np.stack([x, y, x + width, y + height], axis=1)
        groups = np.zeros((len(boxes), len(NAMES)))
        groups[:, NAMES.index("oocyst")] = 1
        sides = np.sort(np.stack([width, height], axis=1))[:, ::-1]
        ellipses = np.concatenate([centres[1:], sides, np.zeros((len(boxes), 1))], axis=1)
        return Detections(boxes, np.clip(area / 5000, 0.1, 1), groups, ellipses)


@pytest.fixture
def marked(tmp_path: Path) -> MarkedPicture:
    """A picture of 100 x 75 µm with a large object and a small one, as an annotated folder."""
    pixels = np.full((300, 400, 3), 200, dtype=np.uint8)
    annotations = []
    for index, (x, y, length, width) in enumerate(OBJECTS):
        cv2.ellipse(pixels, ((x, y), (length, width), 0.0), (80, 80, 80), -1)
        ellipse = {"cx": x, "cy": y, "major_px": length, "minor_px": width, "angle_deg": 0.0}
        box = [x - length / 2, y - width / 2, length, width]
        annotations.append({"id": index, "image_id": 1, "category_id": 1, "bbox": box, "ellipse": ellipse})
    (tmp_path / "images").mkdir()
    Image.fromarray(pixels).save(tmp_path / "images" / "one.png")
    content = {
        "images": [
            {"id": 1, "file_name": "one.png", "width": 400, "height": 300, "um_per_px": OWN_UM_PER_PX}
        ],
        "categories": [{"id": 1, "name": "oocyst"}],
        "annotations": annotations,
    }
    (tmp_path / "annotations.json").write_text(json.dumps(content), encoding="utf-8")
    return read_marked_pictures(tmp_path)[0]


def look(found: list[float], false: list[float], **facts: object) -> Look:
    """Three objects, the last too small to be assessed, found with these scores (NaN: missed)."""
    scores = np.array(found)
    hits = [(score, FOUND if row < 2 else NEITHER, row) for row, score in enumerate(found) if score > 0]
    rows = sorted([*hits, *((score, FALSE, -1) for score in false)], reverse=True)
    columns = [np.array(column) for column in zip(*rows, strict=True)] if rows else [np.zeros(0)] * 3
    values = {
        "um_per_px": 0.5,
        "is_stated": True,
        "way": AS_SERVED,
        "objects": ("large", "small", "tiny"),
        "is_large": np.array([True, False, False]),
        "is_assessable": np.array([True, True, False]),
        "is_group_right": np.array([True, False, False]),
        "scores": scores,
        "matches": Matches(columns[0], columns[1].astype(int), columns[2].astype(int), 2),
        "area_mm2": 0.1,
        "n_tiles": 3,
    }
    return Look(**{**values, **facts})  # type: ignore[arg-type]


def test_reduce_picture_takes_means_over_areas(marked: MarkedPicture, tmp_path: Path) -> None:
    path, um_per_px = reduce_picture(marked, 0.5, tmp_path)
    with Image.open(path) as picture:
        reduced = np.asarray(picture).astype(float)
    means = marked.read_pixels().astype(float).reshape(150, 2, 200, 2, 3).mean(axis=(1, 3))
    assert um_per_px == 0.5
    np.testing.assert_allclose(reduced, means, atol=0.51)


def test_reduce_picture_tells_the_exact_size_of_a_pixel(marked: MarkedPicture, tmp_path: Path) -> None:
    path, um_per_px = reduce_picture(marked, 0.7, tmp_path)
    with Image.open(path) as reduced:
        assert reduced.size == (143, 107)
    assert um_per_px == pytest.approx(400 * OWN_UM_PER_PX / 143)


def test_reduce_picture_enlarges_nothing(marked: MarkedPicture, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"one.png has 0.25 µm per pixel; to reduce it to 0.1 it must"):
        reduce_picture(marked, 0.1, tmp_path)


def test_look_at_sizes_finds_both_until_the_small_one_is_not_assessable(marked: MarkedPicture) -> None:
    looks = list(look_at_sizes(marked, DarkSpots(), (0.25, 0.5, 1.0), {}))
    assert [(one.um_per_px, one.is_stated) for one in looks] == [
        (size, is_stated) for size in (0.25, 0.5, 1.0) for is_stated in (True, False)
    ]
    for one in looks:
        assert one.is_large.tolist() == [True, False]
        assert (one.scores > 0).tolist() == [True, True]
        # 10 µm are 20 px and 10 px at the two coarser sizes.
        assert one.is_assessable.tolist() == [True, one.um_per_px < 1]
        assert one.matches.n_objects == int(one.is_assessable.sum())
        assert NEITHER in one.matches.verdicts.tolist() or one.um_per_px < 1
        assert one.area_mm2 == pytest.approx(0.1 * 0.075)


def test_look_at_sizes_looks_once_at_each_frame(marked: MarkedPicture) -> None:
    detector, alone = DarkSpots(), DarkSpots()
    looks = [one for one in look_at_sizes(marked, detector, (0.5,), WAYS) if one.is_stated]
    list(look_at_sizes(marked, alone, (0.5,), {}))
    costs = {one.way: one.n_tiles for one in looks}
    assert list(costs) == [AS_SERVED, *WAYS]
    assert costs["working scale alone"] < costs["and twice as coarse"] < costs["and finer always"]
    # Half and twice the size are among the scales of a picture whose own is unknown.
    assert detector.n_tiles == alone.n_tiles


def test_find_cut_allows_so_many_false_positives() -> None:
    looks = [look([0.9, 0.4, 0.3], [0.7, 0.5]), look([0.8, 0.6, np.nan], [0.2])]
    assert find_cut(looks, 0.5) == 0.6
    assert find_cut(looks, 1.0) == 0.3
    assert find_cut([look([0.9, 0.4, 0.3], [0.95])], 0.5) > 1


def test_sum_up_counts_what_is_not_assessable_apart() -> None:
    row = sum_up([look([0.9, 0.4, 0.7], [0.7, 0.5]), look([0.8, 0.6, np.nan], [0.2])])
    assert row.all == (Share(3, 4), Share(4, 4))
    assert row.large == (Share(2, 2), Share(2, 2))
    assert row.small == (Share(1, 2), Share(2, 2))
    assert row.too_small == Share(1, 2)
    assert row.group_right == Share(2, 3)
    # All four are reached at 0.4, with two false ones on 0.2 mm².
    assert row.false_per_mm2 == pytest.approx(10)
    assert row.tiles_per_mm2 == pytest.approx(30)


def test_sum_up_of_pictures_without_candidates() -> None:
    row = sum_up([look([np.nan] * 3, [])])
    assert row.all == (Share(0, 2), Share(0, 2)) and row.false_per_mm2 is None
    assert "not reached" in to_table([row])


def test_compare_takes_the_same_objects() -> None:
    first = look([0.9, 0.4, 0.3], [])
    second = look([0.9, np.nan, 0.3], [0.5, 0.2], is_assessable=np.array([True, True, True]))
    pair = compare([first], [second], 0.5)
    assert (pair.of, pair.n_first, pair.n_second, pair.lost, pair.gained) == (2, 2, 1, 1, 0)
    assert pair.fall == 0.5 and pair.kept == 0.5


def test_to_table_prints_shares_with_their_intervals() -> None:
    header, _, line = to_table([sum_up([look([0.9, 0.4, 0.3], [0.7])])]).split("\n")
    assert header.count("|") == line.count("|")
    # Wilson's interval of 1 of 2 is (0.5 + z²/4 ± z sqrt(1/8 + z²/16)) / (1 + z²/2), z = 1.96.
    assert "| 0.5 | stated | as served | 0.50 (1 of 2, 0.09-0.91) / 1.00 (2 of 2, 0.34-1.00) |" in line
    assert line.endswith("| 10.0 | 30 |")


def test_to_answer_says_what_is_lost_and_what_is_kept() -> None:
    stated, unknown = look([0.9, 0.8, 0.3], []), look([0.9, np.nan, 0.3], [], is_stated=False)
    coarse = look([np.nan, 0.8, 0.3], [], um_per_px=1.4)
    lines = to_answer(
        [stated, unknown, coarse, look([0.9, 0.8, 0.3], [], um_per_px=1.4, is_stated=False)], 0.5
    )
    assert "at most 3 points from half to twice 0.5 µm/px" in lines[0]
    assert lines[1] == (
        "0.5 µm/px at 0.5: +0.0 points lower than at 0.5 (0 lost, 0 gained of 2); without a scale "
        "50.0 % kept (1 of 2; 1 lost, 0 gained)."
    )
    assert "+50.0 points lower than at 0.5 (1 lost, 0 gained of 2; beyond the range)" in lines[2]


def test_group_looks_keeps_sizes_and_ways_apart() -> None:
    looks = [
        look([0.9] * 3, [], um_per_px=size, is_stated=flag) for size in (1, 0.5) for flag in (False, True)
    ]
    groups = group_looks([*looks, *looks])
    assert [(one[0].is_stated, one[0].um_per_px, len(one)) for one in groups] == [
        (True, 0.5, 2),
        (True, 1, 2),
        (False, 0.5, 2),
        (False, 1, 2),
    ]


def test_main_prints_the_table_and_writes_it(
    marked: MarkedPicture, weights_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "rows.json"
    told = [
        "--weights",
        str(weights_folder),
        "--data",
        str(marked.path.parents[1]),
        "--um-per-px",
        "0.5",
        "1",
    ]
    assert main([*told, "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert printed.count("| as served |") == 4 and "Asked: recall falls by at most" in printed
    assert [row["um_per_px"] for row in json.loads(out.read_text())] == [0.5, 1.0, 0.5, 1.0]


def test_main_refuses_a_picture_that_is_too_coarse(
    marked: MarkedPicture, weights_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = ["--weights", str(weights_folder), "--data", str(marked.path.parents[1]), "--um-per-px", "0.1"]
    assert main(told) == 1
    assert "to reduce it to 0.1" in capsys.readouterr().err
