"""Edges of fields laid on each other near the scan's steps: where their fine texture is most alike."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from triage.stitch.fields import GreyReader
from triage.stitch.stiff import rotate

# Longer side of the copies that are searched.
_COPY_PX = 320
# How far a step may be off, as a share of the longer side (15 px of 640 in steps, fields turned by a degree).
_REACH_SHARE = 1 / 16
# Two fields that are each turned by a degree are turned by two against each other.
_TURNS_RAD = np.deg2rad(np.arange(-2.0, 2.01, 0.5))
_CELLS = 4
_BROAD_PX = 2.0
# Each place counts against what lies so near, so that a thing weighs no more than texture of its size.
_AROUND_PX = 8.0
_GRAINS = 2.0
_MOST = 2.5
_EDGE_PX = 2
_LEAST_WIDE_PX = 8
_AT_ONCE = 16


@dataclass(frozen=True)
class Laid:
    """One field laid beyond the edge of another.

    Attributes
    ----------
    first, second : int
        Numbers of the fields; the second lies right of the first, or below.
    axis : int
        0 right, 1 below.
    weight : float
        How alike the edges are there, in deviations of all shifts and turns tried.
    middle_xy : tuple of float
        Middle of what both show, from the middle of the second.
    shift_xy : tuple of float
        Where that place lies in the first field against where it lies in the second, each from its middle.
    turn_rad : float
        Of the second against the first.
    """

    first: int
    second: int
    axis: int
    weight: float
    middle_xy: tuple[float, float]
    shift_xy: tuple[float, float]
    turn_rad: float

    def lay(self, theirs_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where places of the second field lie in the first, each from its middle."""
        middle = np.array(self.middle_xy)
        laid: NDArray[np.float64] = middle + self.shift_xy + (theirs_xy - middle) @ rotate(self.turn_rad).T
        return laid


class StripSearch:
    """Correlation of edges at all shifts and turns that a step of the scan leaves open.

    Parameters
    ----------
    greys : GreyReader
    shape_hw : tuple of int
        Rows and columns of the fields.
    axis : int
        0: the right edge of one field on the left of another; 1: the lower on the upper.
    step_xy : ndarray of shape (2,)
        Shift of a field against the one before it.

    Notes
    -----
    An edge is cut into cells along its length. A small turn hardly matters within one and moves them against
    each other, so cells are correlated once and then summed for each turn.
    """

    def __init__(
        self, greys: GreyReader, shape_hw: tuple[int, int], axis: int, step_xy: NDArray[np.float64]
    ) -> None:
        self._greys, self._axis, self._shape_hw = greys, axis, shape_hw
        self._factor = max(1.0, max(shape_hw) / _COPY_PX)
        self._reach = round(_REACH_SHARE * max(shape_hw) / self._factor)
        length, side = (one / self._factor for one in (shape_hw if axis == 0 else shape_hw[::-1]))
        step, aside = abs(float(step_xy[axis])) / self._factor, float(step_xy[1 - axis]) / self._factor
        self._wide = int(min(side / 2, side - step + self._reach))
        self._tall = int(length) // _CELLS
        # Where the second strip begins in the first if the step is exact.
        self._begin = (round(aside), round(step - side + self._wide))
        self._step, self._side = step, side
        self._frame = (
            fft.next_fast_len(self._tall + 2 * (self._reach + abs(self._begin[0])), True),
            fft.next_fast_len(2 * self._wide, True),
        )
        self._spectra: dict[tuple[int, bool], NDArray[np.complex64]] = {}

    @property
    def tries(self) -> int:
        """Ways in which two edges are laid on each other."""
        return len(_TURNS_RAD) * (2 * self._reach + 1) ** 2

    def find(self, first: int, seconds: Sequence[int]) -> Iterator[Laid]:
        """Each of these fields laid where it is most like what lies at the edge of the first."""
        for start in range(0, len(seconds), _AT_ONCE):
            some = seconds[start : start + _AT_ONCE]
            theirs = np.stack([self._transform(second, is_first=False) for second in some])
            products = self._transform(first, is_first=True)[None] * theirs.conj()
            likeness = fft.irfft2(products, s=self._frame, axes=(2, 3), overwrite_x=True)
            for second, one in zip(some, self._sum_turned(likeness), strict=True):
                yield self._lay(first, second, one)

    def _transform(self, number: int, *, is_first: bool) -> NDArray[np.complex64]:
        """Spectra of the cells of an edge, shape (cells, ...); those of a first field reach farther."""
        if (number, is_first) not in self._spectra:
            copy = self._flatten(number)
            reach = self._reach + abs(self._begin[0])
            self._spectra[number, True] = self._cut_cells(copy[:, -self._wide :], reach)
            self._spectra[number, False] = self._cut_cells(copy[:, : self._wide], 0)
        return self._spectra[number, is_first]

    def _cut_cells(self, strip: NDArray[np.float32], reach: int) -> NDArray[np.complex64]:
        cells = np.zeros((_CELLS, *self._frame), np.float32)
        for cell in range(_CELLS):
            top, bottom = cell * self._tall - reach, (cell + 1) * self._tall + reach
            seen = strip[max(0, top) : bottom]
            begin = max(0, -top)
            cells[cell, begin : begin + len(seen), : self._wide] = seen
        spectra: NDArray[np.complex64] = fft.rfft2(cells, axes=(1, 2))
        return spectra

    def _flatten(self, number: int) -> NDArray[np.float32]:
        """Reduced copy of a field, of about one contrast everywhere, the edge that is searched upright."""
        size_wh = tuple(int(side / self._factor) for side in self._shape_hw[::-1])
        copy = cv2.resize(self._greys.read(number), size_wh, interpolation=cv2.INTER_AREA)
        fine = (copy - cv2.GaussianBlur(copy, (0, 0), _BROAD_PX)) / max(
            1e-3, self._greys.measure_grain(number)
        )
        flat = fine / np.sqrt(cv2.GaussianBlur(fine**2, (0, 0), _AROUND_PX) + _GRAINS**2)
        flat = np.asarray(flat.clip(-_MOST, _MOST), np.float32)
        for edge in (slice(None, _EDGE_PX), slice(-_EDGE_PX, None)):
            flat[edge] = 0
            flat[:, edge] = 0
        return flat if self._axis == 0 else np.ascontiguousarray(flat.T)

    def _sum_turned(self, likeness: NDArray[np.float32]) -> NDArray[np.float32]:
        """Likeness over all cells by field, turn, shift along the edge and shift across it."""
        cut, moves = self._cut(likeness)
        most, side = int(np.abs(moves).max()), 2 * self._reach + 1
        summed = np.zeros((len(cut), len(moves), side, side), np.float32)
        for turn, by_cell in enumerate(most + moves):
            for cell, begin in enumerate(by_cell.tolist()):
                summed[:, turn] += cut[:, cell, :, begin : begin + side]
        return summed

    def _cut(self, likeness: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
        """Likeness by field, cell, shift along the edge and across it, and how a turn moves each cell."""
        reach, middle = self._reach, (np.arange(_CELLS) - (_CELLS - 1) / 2) * self._tall
        # To the right, a turn moves what lies lower to the left.
        sign = -1 if self._axis == 0 else 1
        moves = np.rint(sign * np.outer(_TURNS_RAD, middle)).astype(np.int64)
        most = int(np.abs(moves).max())
        along = np.arange(-reach, reach + 1) + self._begin[0] + reach + abs(self._begin[0])
        across = np.arange(-reach - most, reach + most + 1) + self._begin[1]
        shared = (self._wide - np.abs(across)).astype(np.float32)
        scale = np.where(shared >= _LEAST_WIDE_PX, 1 / np.sqrt(shared.clip(1)), 0).astype(np.float32)
        return likeness[:, :, along][..., across % self._frame[1]] * scale, moves

    def _lay(self, first: int, second: int, summed: NDArray[np.float32]) -> Laid:
        best = tuple(int(one) for one in np.unravel_index(int(summed.argmax()), summed.shape))
        spread = max(1e-6, float(np.sqrt(np.mean(summed**2))))
        turn, along, across = (_find_top(summed, best, axis) for axis in range(3))
        # Copies begin where the step, less its fraction of a pixel, has them.
        across += self._begin[1] - self._reach + self._side - self._wide
        along += self._begin[0] - self._reach
        shift = np.array([across, along] if self._axis == 0 else [along, across]) * self._factor
        middle = -shift / 2 * np.array([self._axis == 0, self._axis == 1])
        return Laid(
            first,
            second,
            self._axis,
            float(summed[best]) / spread,
            (float(middle[0]), float(middle[1])),
            (float(shift[0]), float(shift[1])),
            float(_TURNS_RAD[0] + turn * (_TURNS_RAD[1] - _TURNS_RAD[0])),
        )


def _find_top(values: NDArray[np.float32], best: tuple[int, ...], axis: int) -> float:
    """Place along one axis of the top of a parabola through the best value and those beside it."""
    at = best[axis]
    if not 0 < at < values.shape[axis] - 1:
        return float(at)
    before, here, after = (float(values[(*best[:axis], at + off, *best[axis + 1 :])]) for off in (-1, 0, 1))
    bend = before - 2 * here + after
    return at + (before - after) / (2 * bend) if bend < 0 else float(at)
