"""A reduced copy of a large picture, put together from whatever parts of it are read anyway.

Reducing a whole coverslip costs as much as decoding all of it once more, while the detector has every pixel
of it read. A cell of the copy is the mean of a square of pixels, the same whoever reads it and whenever.
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
        rows, columns = (
            self._cells_within(start, length, side)
            for start, length, side in zip((y, x), pixels.shape[:2], self._shape_hw, strict=True)
        )
        if rows.start >= rows.stop or columns.start >= columns.stop or self._is_known[rows, columns].all():
            return
        top, left = rows.start * self.cell_px - y, columns.start * self.cell_px - x
        height, width = ((part.stop - part.start) * self.cell_px for part in (rows, columns))
        squares = pixels[top : top + height, left : left + width]
        # The last cell may reach beyond the picture, whose outermost pixels then go on.
        beyond_hw = height - squares.shape[0], width - squares.shape[1]
        if any(beyond_hw):
            squares = np.pad(squares, (*((0, more) for more in beyond_hw), (0, 0)), mode="edge")
        size = (columns.stop - columns.start, rows.stop - rows.start)
        self._cells[rows, columns] = cv2.resize(squares, size, interpolation=cv2.INTER_AREA)
        self._is_known[rows, columns] = True

    def _cells_within(self, start: int, length: int, side: int) -> slice:
        """Cells that lie whole in a stretch of one side; the picture's end ends its last cell."""
        end = start + length
        return slice(
            -(-start // self.cell_px), -(-end // self.cell_px) if end == side else end // self.cell_px
        )

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
