from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import pyvips

from triage import halved_tiles
from triage.halved_tiles import TileCutter
from triage.images import Limits, Picture, open_picture
from triage.tiles import cut_tile, plan_halved

TILE_PX = 64


@pytest.fixture(params=[(401, 533), (400, 532), (90, 700), (257, 64)])
def picture(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Picture]:
    pixels = np.random.default_rng(1).integers(0, 256, (*request.param, 3), dtype=np.uint8)
    pyvips.Image.new_from_array(pixels).tiffsave(str(tmp_path / "a.tif"), tile=True)
    with open_picture(tmp_path / "a.tif", limits=Limits(max_memory_pixels=100)) as opened:
        yield opened


def test_tiles_at_half_the_scale_are_means_of_four_pixels(picture: Picture) -> None:
    whole = picture.read_region(0, 0, picture.width, picture.height).astype(int)
    even = np.pad(whole, ((0, whole.shape[0] % 2), (0, whole.shape[1] % 2), (0, 0)), mode="edge")
    means = (even[::2, ::2] + even[1::2, ::2] + even[::2, 1::2] + even[1::2, 1::2] + 2) // 4
    halved = [tile for tile in plan_halved(whole.shape[:2], TILE_PX, 8) if tile.finer_hw]
    assert halved
    for tile in halved:
        cut = cut_tile(picture, tile, TILE_PX)[: tile.height, : tile.width]
        np.testing.assert_array_equal(cut, means[tile.y : tile.y + tile.height, tile.x : tile.x + tile.width])


@pytest.mark.parametrize("factor", [1.0, 0.9])
def test_they_are_the_same_put_together_from_finer_ones_and_nothing_is_read_for_them(
    picture: Picture, factor: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    tiles = plan_halved((round(factor * picture.height), round(factor * picture.width)), TILE_PX, 8)
    expected = [cut_tile(picture, tile, TILE_PX) for tile in tiles]
    # From any place on, as after a kill, too: there some must be read.
    for start in (0, len(tiles) // 2, len(tiles) - 1):
        read = []

        def note(picture: Picture, tile: object, tile_px: int, read: list[object] = read) -> object:
            read.append(tile)
            return cut_tile(picture, tile, tile_px)  # type: ignore[arg-type]

        monkeypatch.setattr(halved_tiles, "cut_tile", note)
        cutter = TileCutter(picture, tiles, TILE_PX)
        cut = [cutter.cut(tile) for tile in tiles[start:]]
        np.testing.assert_array_equal(np.stack(cut), np.stack(expected[start:]))
        if start == 0:
            assert read == [tile for tile in tiles if tile.finer_hw is None]


def test_few_rows_of_finer_tiles_are_kept(picture: Picture) -> None:
    tiles = plan_halved((picture.height, picture.width), TILE_PX, 8)
    cutter = TileCutter(picture, tiles, TILE_PX)
    for tile in tiles:
        cutter.cut(tile)
        # Three, and the last one, which is pulled inward.
        assert len({y for _, y in cutter._kept}) <= 4


def test_finer_tiles_share_less_than_coarser_ones() -> None:
    """An object cut by each finer tile lies whole in a coarser one: there twice 96 px are shared."""
    tiles = plan_halved((3000, 3000), 512, 96)
    finer = sorted({tile.x for tile in tiles if tile.finer_hw is None})
    coarser = sorted({tile.x for tile in tiles if tile.finer_hw})
    assert max(np.diff(finer)) == 512 - 56
    assert max(np.diff(coarser)) <= 512 - 96


def test_nothing_of_25_um_is_cut_by_all_finer_tiles() -> None:
    """At 0.5 µm/px it has 50 px, and three more at either end keep it from counting as cut."""
    for tile_px in (512, 768, 1056):
        starts = {tile.x for tile in plan_halved((3000, 3000), tile_px, 96) if tile.finer_hw is None}
        for left in range(3, 3000 - 53):
            assert any(start + 3 <= left and left + 50 <= start + tile_px - 3 for start in starts)
