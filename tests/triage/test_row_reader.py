from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import pyvips

from triage import reduced, row_reader
from triage.images import Limits, Picture, open_picture
from triage.row_reader import RowReader
from triage.tiles import Tile, cut_tile, plan_tiles

TILE_PX = 100


@pytest.fixture(params=[(16, (401, 230)), (64, (433, 533)), (128, (610, 90)), (256, (700, 320))])
def picture(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Picture]:
    """Some file tiles are smaller than the detector's, some larger than two rows of these."""
    side, shape_hw = request.param
    pixels = np.random.default_rng(1).integers(0, 256, (*shape_hw, 3), dtype=np.uint8)
    image = pyvips.Image.new_from_array(pixels)
    image.tiffsave(str(tmp_path / "a.tif"), tile=True, tile_width=side, tile_height=side)
    with open_picture(tmp_path / "a.tif", limits=Limits(max_memory_pixels=100)) as opened:
        assert opened.rows_at_once == side
        yield opened


@pytest.fixture
def tiles(picture: Picture) -> tuple[Tile, ...]:
    return plan_tiles((picture.height, picture.width), TILE_PX, 12)


def test_tiles_are_the_same_from_wherever_reading_begins(picture: Picture, tiles: tuple[Tile, ...]) -> None:
    expected = [cut_tile(picture, tile, TILE_PX) for tile in tiles]
    for start in (0, len(tiles) // 2, len(tiles) - 1):
        reader = RowReader(picture, tiles)
        read = [cut_tile(reader, tile, TILE_PX) for tile in tiles[start:]]
        np.testing.assert_array_equal(np.stack(read), np.stack(expected[start:]))


def test_no_row_of_the_files_tiles_is_read_for_two_tiles(
    picture: Picture, tiles: tuple[Tile, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    read: dict[int, list[tuple[int, int]]] = {}
    fetch = Picture._fetch

    def note(
        picture: Picture, x: int, y: int, width: int, height: int, above: np.ndarray | None = None
    ) -> np.ndarray:
        start = y + (0 if above is None else len(above))
        if start < y + height:
            read.setdefault(x, []).append((start, y + height))
        return fetch(picture, x, y, width, height, above)

    monkeypatch.setattr(Picture, "_fetch", note)
    reader = RowReader(picture, tiles)
    for tile in tiles:
        cut_tile(reader, tile, TILE_PX)
    for ranges in read.values():
        assert (ranges[0][0], ranges[-1][1]) == (0, picture.height)
        for (_, end), (start, _) in pairwise(ranges):
            assert end == start and end % picture.rows_at_once == 0


def test_little_is_kept_at_a_time(
    picture: Picture, tiles: tuple[Tile, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    for most in (0, 100 * picture.width):
        monkeypatch.setattr(row_reader, "_MOST_BYTES", most)
        reader = RowReader(picture, tiles)
        for tile in tiles:
            cut_tile(reader, tile, TILE_PX)
            kept = list(reader._kept)
            # Of two rows at most, neighbours sharing some columns.
            assert len({y for _, y, _ in kept}) <= 2
            assert sum(rows.nbytes for rows in reader._kept.values()) <= 2 * 1.5 * most


def test_all_of_the_overview_comes_from_tiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its cells lie across the border between what was kept and what is read."""
    monkeypatch.setattr(reduced, "_LEAST_PX", 64)
    pyvips.Image.gaussnoise(533, 433).cast("uchar").bandjoin([1, 2]).tiffsave(
        str(tmp_path / "a.tif"), tile=True, tile_width=64, tile_height=64
    )
    with open_picture(tmp_path / "a.tif", limits=Limits(max_memory_pixels=100)) as picture:
        assert picture._reduced is not None and picture._reduced.cell_px == 8
        tiles = plan_tiles((433, 533), TILE_PX, 12)
        reader = RowReader(picture, tiles)
        for tile in tiles:
            cut_tile(reader, tile, TILE_PX)
        assert picture._reduced._is_known.all()


def test_pictures_in_memory_and_at_other_scales_are_read_as_they_are(picture: Picture) -> None:
    frame_hw = (picture.height // 2, picture.width // 2)
    tiles = plan_tiles(frame_hw, TILE_PX, 12)
    reader = RowReader(picture, tiles)
    for tile in tiles:
        expected = cut_tile(picture, tile, TILE_PX)
        np.testing.assert_array_equal(cut_tile(reader, tile, TILE_PX), expected)
        assert not reader._kept
