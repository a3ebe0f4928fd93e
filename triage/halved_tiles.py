"""Cuts tiles; those at half the scale of others are put together from these instead of being read again.

Reading a tile at half the scale costs as much as four, nearly all of it for decoding what the finer look has
decoded just before. What is kept is only a saving: a tile is the same, byte for byte, whether all of it was
kept or nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from triage.images import Picture
from triage.row_reader import RowReader
from triage.tiles import Tile, cut_tile, halve, pad_tile

Pixels = NDArray[np.uint8]


class TileCutter:
    """Cuts the tiles of a plan; several threads may ask.

    Parameters
    ----------
    picture : Picture
    tiles : sequence of Tile
        In the order of `triage.tiles.plan_halved` where some lie at half the scale of others: a few rows of
        the finer ones are kept, at half the scale.
    tile_px : int
        Side of a tile.
    """

    def __init__(self, picture: Picture, tiles: Sequence[Tile], tile_px: int) -> None:
        self._picture, self._tile_px = RowReader(picture, tiles), tile_px
        self._finer_hw = next((tile.finer_hw for tile in tiles if tile.finer_hw), None)
        self._kept: dict[tuple[int, int], tuple[int, int, Pixels]] = {}
        self._keeping = threading.Lock()

    def cut(self, tile: Tile) -> Pixels:
        """Pixels of a tile, as `triage.tiles.cut_tile` gives them."""
        together = None if tile.finer_hw is None else self._put_together(tile)
        if together is not None:
            return pad_tile(together, tile, self._tile_px)
        pixels = cut_tile(self._picture, tile, self._tile_px)
        if tile.finer_hw is None and tile.frame_hw == self._finer_hw:
            self._keep(tile, pixels[: tile.height, : tile.width])
        return pixels

    def _keep(self, tile: Tile, pixels: Pixels) -> None:
        halved = halve(tile.x, tile.y, pixels, tile.frame_hw)
        with self._keeping:
            self._kept[tile.x, tile.y] = halved
            for place in [one for one in self._kept if one[1] < tile.y - 2 * self._tile_px]:
                del self._kept[place]

    def _put_together(self, tile: Tile) -> Pixels | None:
        """A tile at half the scale from what is kept; None if something is missing."""
        with self._keeping:
            kept = list(self._kept.values())
        pixels = np.empty((tile.height, tile.width, 3), dtype=np.uint8)
        is_known = np.zeros(pixels.shape[:2], dtype=bool)
        for x, y, part in kept:
            left, top = max(x, tile.x), max(y, tile.y)
            right, bottom = (
                min(start + length, tile_start + tile_length)
                for start, length, tile_start, tile_length in (
                    (x, part.shape[1], tile.x, tile.width),
                    (y, part.shape[0], tile.y, tile.height),
                )
            )
            if left < right and top < bottom:
                place = np.s_[top - tile.y : bottom - tile.y, left - tile.x : right - tile.x]
                pixels[place] = part[top - y : bottom - y, left - x : right - x]
                is_known[place] = True
        return pixels if is_known.all() else None
