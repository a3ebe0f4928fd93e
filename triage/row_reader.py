"""Reads one row of tiles after the other from a file of tiles, and decodes nothing of it twice.

The detector's tiles overlap and don't begin where the file's do, so a row of them ends within tiles of the
file that the next row needs as well. Decoding these twice is a quarter to a third of what reading a coverslip
takes. So each tile is read down to the end of the file's, and what the tile below begins with is kept. It is
only a saving: pixels are the same whether they were kept or not.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from triage.images import Picture
from triage.tiles import Tile

# Of all that is kept at a time; a row of 44,000 px needs 30 to 46 million where the file's tiles have 256 px.
_MOST_BYTES = 80_000_000

Pixels = NDArray[np.uint8]


class RowReader:
    """Reads the tiles of a plan; several threads may ask.

    Parameters
    ----------
    picture : Picture
    tiles : sequence of Tile
        Those that show the picture as it is are kept rows of, from above.
    """

    def __init__(self, picture: Picture, tiles: Sequence[Tile]) -> None:
        self._picture = picture
        self._whole_hw = (picture.height, picture.width)
        as_it_is = [tile for tile in tiles if (tile.frame_hw, tile.finer_hw) == (self._whole_hw, None)]
        starts = sorted({tile.y for tile in as_it_is}) if picture.rows_at_once > 1 else []
        self._next = dict(pairwise(starts))
        self._kept: dict[tuple[int, int, int], Pixels] = {}
        self._keeping = threading.Lock()

    def read_region(
        self, x: int, y: int, width: int, height: int, *, scaled_to_hw: tuple[int, int] | None = None
    ) -> Pixels:
        """Pixels of a rectangle, as `triage.images.Picture.read_region` gives them."""
        if not self._next or scaled_to_hw != self._whole_hw:
            return self._picture.read_region(x, y, width, height, scaled_to_hw=scaled_to_hw)
        with self._keeping:
            above = self._kept.pop((x, y, width), None)
        below, end = self._next.get(y), self._end_of_file_tiles(y + height)
        is_kept = below is not None and (end - below) * self._picture.width * 3 <= _MOST_BYTES
        n = max((end if is_kept else y + height) - y, 0 if above is None else len(above))
        pixels = self._picture.read_region(x, y, width, n, above=above)
        if below is not None and is_kept:
            with self._keeping:
                # What nobody asked for is of a row before.
                self._kept = {place: rows for place, rows in self._kept.items() if place[1] in (y, below)}
                self._kept[x, below, width] = pixels[below - y :].copy()
        return pixels[:height]

    def _end_of_file_tiles(self, y: int) -> int:
        """Where the file's tiles that hold the row above `y` end."""
        step = self._picture.rows_at_once
        return min(-(-y // step) * step, self._picture.height)
