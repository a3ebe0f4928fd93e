"""Reduced copies of a large picture, put together from whatever parts of it are read anyway.

Reducing a whole coverslip costs as much as decoding all of it once more, while the detector has every pixel
of it read. A cell of a copy is the mean of a square of pixels, the same whoever reads it and whenever.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray

# Of the longer side of the copy, at least: twice the largest overview that is made of it, so that the second
# reduction can weigh its cells.
_LEAST_PX = 2048
MOST_OVERVIEW_PX = _LEAST_PX // 2
_READERS = 4
_PIECE_PX = 1024

Pixels = NDArray[np.uint8]
ReadPixels = Callable[[int, int, int, int], Pixels]


def find_cells(
    x: int, y: int, pixels: Pixels, shape_hw: tuple[int, int], cell_px: int
) -> tuple[slice, slice]:
    """Rows and columns of the cells that lie whole in a rectangle; the picture's end ends its last cells.

    Parameters
    ----------
    x, y : int
        Where the rectangle begins.
    pixels : ndarray of shape (H, W, 3), uint8
        Its pixels.
    shape_hw : tuple of int
        Rows and columns of the picture.
    cell_px : int
        Side of a cell, counted from the picture's origin.
    """

    def within(start: int, length: int, side: int) -> slice:
        end = start + length
        return slice(-(-start // cell_px), -(-end // cell_px) if end == side else end // cell_px)

    rows, columns = map(within, (y, x), pixels.shape[:2], shape_hw)
    return rows, columns


def reduce_cells(x: int, y: int, pixels: Pixels, rows: slice, columns: slice, cell_px: int) -> Pixels:
    """Means of cells that `find_cells` found; beyond the picture its outermost pixels go on."""
    top, left = rows.start * cell_px - y, columns.start * cell_px - x
    height, width = ((part.stop - part.start) * cell_px for part in (rows, columns))
    squares = pixels[top : top + height, left : left + width]
    beyond_hw = height - squares.shape[0], width - squares.shape[1]
    if any(beyond_hw):
        squares = np.pad(squares, (*((0, more) for more in beyond_hw), (0, 0)), mode="edge")
    size = (columns.stop - columns.start, rows.stop - rows.start)
    return np.asarray(cv2.resize(squares, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _trim(part: slice, wanted: NDArray[np.int64]) -> slice:
    """From the first to the last place that is wanted of a part."""
    return slice(part.start + int(wanted.min()), part.start + int(wanted.max()) + 1)


class ReducedCopy:
    """Means over squares of a picture of this many rows and columns; several threads may add to it.

    Parameters
    ----------
    shape_hw : tuple of int
    """

    def __init__(self, shape_hw: tuple[int, int]) -> None:
        self._shape_hw = shape_hw
        self.cell_px = max(1, max(shape_hw) // _LEAST_PX)
        cells_hw = tuple(-(-side // self.cell_px) for side in shape_hw)
        self._cells: Pixels = np.zeros((*cells_hw, 3), dtype=np.uint8)
        self._is_known: NDArray[np.bool_] = np.zeros(cells_hw, dtype=bool)

    def add(self, x: int, y: int, pixels: Pixels) -> None:
        """Take the cells that lie whole in a rectangle of the picture, whose pixels are (H, W, 3)."""
        found = find_cells(x, y, pixels, self._shape_hw, self.cell_px)
        is_new = ~self._is_known[found]
        if not is_new.any():
            return
        # Neighbours share a quarter of their cells.
        rows, columns = (_trim(part, at) for part, at in zip(found, np.nonzero(is_new), strict=True))
        self._cells[rows, columns] = reduce_cells(x, y, pixels, rows, columns, self.cell_px)
        self._is_known[rows, columns] = True

    def complete(self, read: ReadPixels) -> None:
        """Read what has not been added yet; `read` takes x, y, width and height."""
        step = max(1, _PIECE_PX // self.cell_px)
        missing = [
            (row, column)
            for row in range(0, self._cells.shape[0], step)
            for column in range(0, self._cells.shape[1], step)
            if not self._is_known[row : row + step, column : column + step].all()
        ]

        def fill(piece: tuple[int, int]) -> None:
            y, x = (start * self.cell_px for start in piece)
            height, width = (
                min(step * self.cell_px, side - start)
                for start, side in zip((y, x), self._shape_hw, strict=True)
            )
            self.add(x, y, read(x, y, width, height))

        with ThreadPoolExecutor(_READERS, thread_name_prefix="overview") as pool:
            for _ in pool.map(fill, missing):
                pass

    def reduce_to(self, shape_hw: tuple[int, int]) -> Pixels:
        """The whole picture in this many rows and columns; the copy must be complete, and larger."""
        factors = [
            wanted * self.cell_px / side for wanted, side in zip(shape_hw, self._shape_hw, strict=True)
        ]
        image = pyvips.Image.new_from_array(self._cells)
        reduced = image.resize(factors[1], vscale=factors[0], kernel="lanczos3")
        # What the last cells reach beyond the picture may come to one row or column more.
        pixels: Pixels = reduced.crop(0, 0, shape_hw[1], shape_hw[0]).numpy()
        return pixels
