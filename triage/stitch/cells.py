"""What two fields both show, laid on each other and summed up cell by cell."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.stitch.stiff import find_shared

_CELL_PX = 32
# What is broader than this is told less well than the uneven light disturbs it.
_BROAD_PX = 4.0
# So near its edge a field under the same smoothing shows something else.
_EDGE_PX = 4


def take_off_broad(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """Grey values without what is broad, shape (H, W)."""
    return np.asarray(grey - cv2.GaussianBlur(grey, (0, 0), _BROAD_PX), np.float32)


def cut_shared(
    ours: NDArray[np.float32], theirs: NDArray[np.float32], to_ours: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], tuple[int, int]]:
    """Both fields where they overlap, 1 where both are seen and 0 elsewhere, and the corner x, y in ours.

    Parameters
    ----------
    ours, theirs : ndarray of shape (H, W)
    to_ours : ndarray of shape (2, 3)
        Lays theirs on ours; places count from the corner.
    """
    left, top, right, bottom = find_shared(to_ours, *ours.shape)
    right, bottom = max(right, left), max(bottom, top)
    size_wh = (right - left, bottom - top)
    if min(size_wh) < 1:
        nothing = np.zeros((0, 0), np.float32)
        return nothing, nothing, nothing, (left, top)
    to_cut = to_ours.copy()
    # Places count from the corner of the first pixel, OpenCV from its middle.
    to_cut[:, 2] += to_ours[:, :2] @ (0.5, 0.5) - 0.5 - np.array([left, top])
    inner = np.zeros(ours.shape, np.float32)
    inner[_EDGE_PX:-_EDGE_PX, _EDGE_PX:-_EDGE_PX] = 1
    is_theirs = cv2.warpAffine(inner, to_cut, size_wh, flags=cv2.INTER_LINEAR) > 0.999
    other = cv2.warpAffine(theirs, to_cut, size_wh, flags=cv2.INTER_CUBIC)
    here = slice(top, bottom), slice(left, right)
    return ours[here], np.asarray(other, np.float32), inner[here] * is_theirs, (left, top)


class Cells:
    """Sums over the cells of a window, each less its mean."""

    def __init__(self, weight: NDArray[np.float32]) -> None:
        height, width = weight.shape
        self._cells = (max(1, round(height / _CELL_PX)), max(1, round(width / _CELL_PX)))
        self._side = (height // self._cells[0], width // self._cells[1])
        self._weight = weight
        self.size = self._side[0] * self._side[1]
        self.count = self._add(weight)
        self._divisor = np.maximum(self.count, 1)

    def _add(self, values: NDArray[np.float32]) -> NDArray[np.float64]:
        (rows, columns), (tall, wide) = self._cells, self._side
        used = values[: rows * tall, : columns * wide].reshape(rows, tall, columns, wide)
        sums: NDArray[np.float64] = used.sum(axis=(1, 3), dtype=np.float64)
        return sums

    def multiply(self, one: NDArray[np.float32], two: NDArray[np.float32]) -> NDArray[np.float64]:
        """Sum of the products of what both differ from their means, shape (rows, columns)."""
        seen = one * self._weight
        return self._add(seen * two) - self._add(seen) * self._add(two * self._weight) / self._divisor

    def compare(self, one: NDArray[np.float32], two: NDArray[np.float32]) -> NDArray[np.float64]:
        """Correlation in each cell, shape (rows, columns)."""
        squares = self.multiply(one, one) * self.multiply(two, two)
        return self.multiply(one, two) / np.sqrt(np.maximum(squares, 1e-9))
