from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from triage.groups import read_groups
from triage.images import Picture
from triage.records import Detections
from triage.tiles import Tile, cut_tile, cut_tiles_ahead, plan_tiles, to_picture_frame

N_GROUPS = len(read_groups())


@pytest.mark.parametrize(
    ("shape_hw", "n"),
    [
        ((1, 1), 1),
        ((512, 512), 1),
        ((513, 512), 2),
        ((512, 928), 2),
        ((512, 929), 3),
        ((1, 40_000), 96),
        ((1024, 1024), 9),
    ],
)
def test_plan_tiles_counts(shape_hw: tuple[int, int], n: int) -> None:
    assert len(plan_tiles(shape_hw, 512, 96)) == n


@pytest.mark.parametrize("shape_hw", [(1, 1), (100, 700), (511, 513), (929, 928), (1400, 1100)])
@pytest.mark.parametrize("overlap_px", [0, 1, 96])
def test_plan_tiles_covers_every_pixel_with_whole_tiles(shape_hw: tuple[int, int], overlap_px: int) -> None:
    seen = np.zeros(shape_hw, dtype=bool)
    for tile in plan_tiles(shape_hw, 512, overlap_px):
        assert (tile.height, tile.width) == (min(512, shape_hw[0]), min(512, shape_hw[1]))
        assert tile.x + tile.width <= shape_hw[1] and tile.y + tile.height <= shape_hw[0]
        seen[tile.y : tile.y + tile.height, tile.x : tile.x + tile.width] = True
    assert seen.all()


def test_plan_tiles_overlaps_neighbours_by_at_least_the_overlap() -> None:
    starts = [tile.x for tile in plan_tiles((512, 2000), 512, 96)]
    assert starts == [0, 416, 832, 1248, 1488]


@pytest.mark.parametrize("overlap_px", [-1, 512])
def test_plan_tiles_refuses_impossible_overlap(overlap_px: int) -> None:
    with pytest.raises(ValueError, match="0 or more and below 512, received"):
        plan_tiles((600, 600), 512, overlap_px)


@pytest.mark.parametrize("readers", [1, 3])
def test_tiles_cut_ahead_come_in_order(
    open_array: Callable[[NDArray[np.uint8]], Picture], readers: int
) -> None:
    pixels = np.random.default_rng(3).integers(0, 256, (200, 330, 3), dtype=np.uint8)
    tiles = plan_tiles((200, 330), 64, 8)
    with open_array(pixels) as picture:
        cut = list(
            cut_tiles_ahead(lambda tile: cut_tile(picture, tile, 64), tiles, at_a_time=4, readers=readers)
        )
        expected = [cut_tile(picture, tile, 64) for tile in tiles]
    assert [len(some) for some in cut] == [4] * 6
    np.testing.assert_array_equal(np.concatenate(cut), np.stack(expected))


def test_cut_tile_fills_with_the_median_colour(open_array: Callable[[NDArray[np.uint8]], Picture]) -> None:
    pixels = np.full((30, 40, 3), (200, 190, 180), dtype=np.uint8)
    pixels[10:15, 10:15] = 0
    with open_array(pixels) as picture:
        tile = cut_tile(picture, plan_tiles((30, 40), 512, 96)[0], 512)
    np.testing.assert_array_equal(tile[:30, :40], pixels)
    assert (tile[30:] == (200, 190, 180)).all() and (tile[:, 40:] == (200, 190, 180)).all()


def found(*boxes: tuple[float, float, float, float]) -> Detections:
    array = np.array(boxes, dtype=np.float64).reshape(-1, 4)
    n = len(array)
    centres = (array[:, :2] + array[:, 2:]) / 2
    ellipses = np.column_stack([centres, array[:, 2:] - array[:, :2], np.zeros(n)]).reshape(-1, 5)
    return Detections(array, np.full(n, 0.5), np.full((n, N_GROUPS), 1 / N_GROUPS), ellipses)


def test_to_picture_frame_undoes_the_scale_and_the_tile() -> None:
    tile = Tile(100, 50, 512, 512, frame_hw=(1000, 2000))
    placed = to_picture_frame(found((10, 20, 50, 60)), tile, (2000, 4000))
    np.testing.assert_allclose(placed.boxes_xyxy, [[220, 140, 300, 220]])
    np.testing.assert_allclose(placed.ellipses, [[260, 180, 80, 80, 0]])


@pytest.mark.parametrize(
    ("box", "is_cut"),
    [
        ((0, 100, 50, 150), True),
        ((470, 100, 512, 150), True),
        ((100, 0, 150, 40), False),
        ((100, 470, 150, 512), True),
        ((100, 100, 150, 150), False),
        # The edges of large boxes are found less exactly.
        ((4.2, 100, 98.3, 260), True),
        ((4.2, 100, 50, 150), False),
        ((5.2, 100, 98.3, 260), False),
    ],
)
def test_to_picture_frame_marks_boxes_that_an_inner_edge_cuts(
    box: tuple[float, float, float, float], is_cut: bool
) -> None:
    tile = Tile(416, 0, 512, 512, frame_hw=(2000, 2000))
    assert to_picture_frame(found(box), tile, (2000, 2000)).is_cut.tolist() == [is_cut]


def test_to_picture_frame_leaves_out_what_lies_in_the_filling() -> None:
    tile = Tile(0, 0, 40, 30, frame_hw=(30, 40))
    placed = to_picture_frame(found((100, 100, 150, 150), (20, 10, 60, 50)), tile, (30, 40))
    np.testing.assert_allclose(placed.boxes_xyxy, [[20, 10, 40, 30]])


def test_to_picture_frame_takes_no_boxes() -> None:
    placed = to_picture_frame(found(), Tile(0, 0, 512, 512, (600, 600)), (600, 600))
    assert placed.boxes_xyxy.shape == (0, 4) and placed.is_cut.shape == (0,)
