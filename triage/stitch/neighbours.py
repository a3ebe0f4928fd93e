"""Which fields may be neighbours: the best shifts of small copies against each other, all shifts at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from triage.stitch.solve import Places

LEAST_OVERLAP = 0.04
_PEAKS = 2
_PEAK_APART_PX = 4
STILL_PX = 2
# What is broader is the lamp, not the slide.
_BROAD_PX = 8.0
_MOST_LIKENESS = 0.99
# Grey levels of 255; a smaller spread counts as if it were this large, so that grain does not look alike.
_LEAST_SPREAD = 0.7


@dataclass(frozen=True)
class Guess:
    """A shift at which two fields look alike.

    Attributes
    ----------
    first, second : int
    offset_xy : tuple of float
        Corner of the second against that of the first, in pixels of the small copies.
    weight : float
        Fisher's transform of the correlation times the root of the number of shared pixels.
    """

    first: int
    second: int
    offset_xy: tuple[float, float]
    weight: float


class ShiftSearch:
    """Normalised cross-correlation of small copies at every shift that leaves enough overlap.

    Parameters
    ----------
    greys : ndarray of shape (N, h, w)
        Under even light.

    Notes
    -----
    The sums of the shared parts don't depend on the other field, so each is made once; one inverse
    transform is left for each pair.

    References
    ----------
    Normalised correlation by transforms: J. P. Lewis, "Fast normalized cross-correlation", 1995 (from
    memory); here without masks, since all fields are whole rectangles of one size.
    """

    def __init__(self, greys: NDArray[np.float32]) -> None:
        greys = np.stack([grey - cv2.GaussianBlur(grey, (0, 0), _BROAD_PX) for grey in greys])
        greys -= greys.mean(axis=(1, 2), keepdims=True)
        height, width = greys.shape[1:]
        self._frame = (fft.next_fast_len(2 * height - 1, True), fft.next_fast_len(2 * width - 1, True))
        self._size_hw = (height, width)
        self._spectra = np.stack([fft.rfft2(grey, s=self._frame) for grey in greys])
        self._sums = np.stack([_sum_shared(grey) for grey in greys])
        self._squares = np.stack([_sum_shared(grey**2) for grey in greys])
        self._shared = _sum_shared(np.ones((height, width), np.float32))
        self._is_enough = self._shared >= LEAST_OVERLAP * height * width
        # Dust on the sensor stands still while the slide moves, and would tie blank fields to each other.
        middle, near = (height - 1, width - 1), STILL_PX
        self._is_enough[middle[0] - near : middle[0] + near + 1, middle[1] - near : middle[1] + near + 1] = (
            False
        )

    def find(self, first: int, second: int) -> list[Guess]:
        """The best shifts of `second` against `first`, best first."""
        height, width = self._size_hw
        cyclic = fft.irfft2(self._spectra[first] * self._spectra[second].conj(), s=self._frame)
        rows, columns = np.arange(1 - height, height), np.arange(1 - width, width)
        products = cyclic[np.ix_(rows, columns)]
        sums, squares, n = self._sums, self._squares, self._shared
        mine, others = sums[first], sums[second][::-1, ::-1]
        floor = n * _LEAST_SPREAD**2
        spread = (squares[first] - mine**2 / n + floor) * (
            squares[second][::-1, ::-1] - others**2 / n + floor
        )
        likeness = (products - mine * others / n) / np.sqrt(spread.clip(1e-6))
        weight = np.arctanh(likeness.clip(-_MOST_LIKENESS, _MOST_LIKENESS)) * np.sqrt(n)
        weight[~self._is_enough] = -np.inf
        guesses = []
        for _ in range(_PEAKS):
            row, column = np.unravel_index(int(weight.argmax()), weight.shape)
            best = float(weight[row, column])
            if not best > 0:
                break
            offset_xy = (float(columns[column]), float(rows[row]))
            guesses.append(Guess(first, second, offset_xy, best))
            apart = _PEAK_APART_PX
            weight[
                max(0, row - apart) : row + apart + 1, max(0, column - apart) : column + apart + 1
            ] = -np.inf
        return guesses


def _sum_shared(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sum over the part that a second field would cover, for every shift from 1 - side to side - 1."""
    height, width = values.shape
    table = np.zeros((height + 1, width + 1))
    table[1:, 1:] = values.astype(np.float64).cumsum(axis=0).cumsum(axis=1)
    rows, columns = np.arange(1 - height, height), np.arange(1 - width, width)
    top, bottom = rows.clip(0), (rows + height).clip(max=height)
    left, right = columns.clip(0), (columns + width).clip(max=width)
    sums = (
        table[np.ix_(bottom, right)]
        - table[np.ix_(top, right)]
        - table[np.ix_(bottom, left)]
        + table[np.ix_(top, left)]
    )
    shared: NDArray[np.float32] = sums.astype(np.float32)
    return shared


def list_sharing(places: Places, shape_hw: tuple[int, int]) -> Iterator[tuple[int, int, float, float]]:
    """Fields of one group that share enough by their places: numbers, and shift x, y of the second.

    Parameters
    ----------
    places : Places
    shape_hw : tuple of int
        Rows and columns of the fields.
    """
    height, width = shape_hw
    for first, second in combinations(range(len(places.group)), 2):
        if places.group[first] != places.group[second]:
            continue
        dx, dy = (places.middle_xy[second] - places.middle_xy[first]).tolist()
        if max(0.0, width - abs(dx)) * max(0.0, height - abs(dy)) >= LEAST_OVERLAP * width * height:
            yield first, second, dx, dy
