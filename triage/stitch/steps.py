"""The steps that a scan makes again and again, and how likely a shift lies as near to them by accident."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.stitch.neighbours import LEAST_OVERLAP

# Shifts are told apart by cells, so many to the shorter side of a field.
_CELLS = 240
_NONE = 1.0
# A scan shows no place twice by half a field and more (our choice).
_MOST_TAKEN = 0.5


class UsualSteps:
    """Shifts between fields whose tie is believed.

    Parameters
    ----------
    shape_hw : tuple of int
        Rows and columns of a field.
    steps_xy : ndarray of shape (M, 2)
        From the first field of each tie to the second, in pixels.

    Notes
    -----
    Nothing is assumed of the scan: where it was moved by hand the believed steps are spread over many shifts,
    and lying near one of them says little.
    """

    def __init__(self, shape_hw: tuple[int, int], steps_xy: NDArray[np.float64]) -> None:
        height, width = shape_hw
        self._cell_px = max(1, min(shape_hw) // _CELLS)
        self._middle_xy = np.array([width, height]) // self._cell_px
        rows, columns = 2 * self._middle_xy[1] + 1, 2 * self._middle_xy[0] + 1
        is_free = np.ones((rows, columns), np.uint8)
        x, y = self._find_cells(np.concatenate([steps_xy, -steps_xy])).T
        is_free[y, x] = 0
        if is_free.all():
            self._far_px = np.full((rows, columns), np.inf)
        else:
            self._far_px = cv2.distanceTransform(is_free, cv2.DIST_L2, 5).astype(np.float64) * self._cell_px
        down, across = ((np.arange(count) - count // 2) * float(self._cell_px) for count in (rows, columns))
        self._steps_yx = down[:, None], across[None]
        self._shape_hw = shape_hw
        self._is_possible = self._share((0.0, 0.0)) >= LEAST_OVERLAP

    def rate(self, step_xy: NDArray[np.float64], taken_xy: Sequence[NDArray[np.float64]] = ()) -> float:
        """Share of all shifts of enough overlap that lie as near to a believed step as this one; 0 to 1.

        Parameters
        ----------
        step_xy : ndarray of shape (2,)
        taken_xy : sequence of ndarray of shape (2,)
            Steps to where another field lies; none that leads to half of such a field or more counts. 1 where
            this one does.
        """
        ((x, y),) = self._find_cells(step_xy[None])
        is_near = self._is_possible & (self._far_px <= self._far_px[y, x] + self._cell_px)
        if not np.isfinite(self._far_px[y, x]):
            return _NONE
        for taken in taken_xy:
            is_near &= self._share((float(taken[0]), float(taken[1]))) < _MOST_TAKEN
        return float(is_near.sum() / self._is_possible.sum()) if is_near[y, x] else _NONE

    def _share(self, middle_xy: tuple[float, float]) -> NDArray[np.float64]:
        """Share of a field at each step that one at this step covers."""
        height, width = self._shape_hw
        down, across = (np.abs(each - at) for each, at in zip(self._steps_yx, middle_xy[::-1], strict=True))
        share: NDArray[np.float64] = (1 - down / height).clip(0) * (1 - across / width).clip(0)
        return share

    def _find_cells(self, steps_xy: NDArray[np.float64]) -> NDArray[np.int64]:
        cells = np.rint(steps_xy / self._cell_px).astype(np.int64) + self._middle_xy
        inside: NDArray[np.int64] = cells.clip(0, 2 * self._middle_xy)
        return inside
