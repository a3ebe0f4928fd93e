"""How sharp a picture is: one measure, what it says of the blur, and from where on it is too much."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.illumination import LEAST_GREY
from triage.images import Picture, to_grey
from triage.percentiles import find_percentile

# Sharpness is judged at this scale, about half of what a 10x objective resolves, or, where the scale is
# unknown, in the overview: at many pixels to a micrometre even the sharpest rim looks soft.
SHARPNESS_UM_PER_PX = 0.5
# Below it a picture counts as blurred. It is an edge blurred by 1.83 px, 0.92 µm at the scale above, of which
# the smallest spirurid egg (11 µm) is 12 times as wide, and `triage.visibility` asks for 12 of all it counts.
# 47 photographs from the CDC's DPDx image library give 0.51 to 2.1; blurred by 3 px with grain added, nine of
# ten give 0.49 and less.
LEAST_SHARPNESS = 0.485
# Large things must count among the coarse, or a picture far out of focus is judged by its small ones alone.
_FINE_PX, _MIDDLE_PX, _COARSE_PX = 1.0, 4.0, 12.0
# What an endless blur tends to.
_DULLEST = _FINE_PX / _COARSE_PX
_STRONGEST_PERCENT = 99.5
# Slopes at coarse scales vary so slowly that a picture reduced until they are this many pixels has them too.
_REDUCED_SIGMA_PX = 2.0
_LEAST_REDUCED_PX = 16
# In grain alone (normal noise) the strongest slopes stand this many times above the median (Rayleigh's
# distribution), give or take a tenth.
_STRONGEST_OF_GRAIN = math.sqrt(math.log(1 - _STRONGEST_PERCENT / 100) / math.log(0.5))
_SURELY_MORE = 1.1
# In grey levels; what a flat picture has is the rounding of its sums.
_LEAST_EDGE = 1e-6
_SAMPLE_PX = 512
# A black area this wide is no object: it lies around an eyepiece's circle, or no field of a mosaic shows it.
_BLACK_PX = 32
# So far from its border the coarse slopes still tell of it.
_BORDER_PX = round(4 * _COARSE_PX)
_LEAST_SHOWN = 0.125
# So many samples, each half over the one before; large pictures get one beside the other, up to the second.
_MOST_SAMPLES_A_SIDE = 4
_MOST_CELLS_A_SIDE = 12


@dataclass(frozen=True)
class Sharpness:
    """Sharpness of a piece of a picture; `at_most` allows for what its grain may hide."""

    value: float
    at_most: float


@dataclass(frozen=True)
class FocusCell:
    """A part of a picture, in its pixels, and how sharp a sample of it is; None: nothing to judge by."""

    x: float
    y: float
    width: float
    height: float
    sharpness: Sharpness | None

    @property
    def is_sharp(self) -> bool | None:
        """Whether it is in focus, allowing for what grain may hide."""
        return None if self.sharpness is None else self.sharpness.at_most >= LEAST_SHARPNESS


@dataclass(frozen=True)
class Focus:
    """Sharpness of the sharpest part of a picture.

    Attributes
    ----------
    sharpness : Sharpness
    um_per_px : float or None
        Scale that it was measured at; None where the picture's own is unknown.
    cells : tuple of FocusCell
        The whole picture, part by part.
    """

    sharpness: Sharpness
    um_per_px: float | None
    cells: tuple[FocusCell, ...] = ()

    @property
    def is_blurred(self) -> bool:
        """Whether it lies below `LEAST_SHARPNESS`."""
        return self.sharpness.value < LEAST_SHARPNESS

    @property
    def blur_um(self) -> float | None:
        """Standard deviation in µm that the picture is blurred by at the least; None without a scale."""
        return None if self.um_per_px is None else blur_px(self.sharpness.at_most) * self.um_per_px


def measure_sharpness(
    grey: NDArray[np.floating[Any]], is_shown: NDArray[np.bool_] | None = None
) -> Sharpness | None:
    """Steepest slope at a scale of 1 px, less what grain gives, over that at coarse scales.

    Parameters
    ----------
    grey : ndarray of shape (H, W)
    is_shown : ndarray of shape (H, W), optional
        What counts, as `find_shown` says; left out, all of it.

    Returns
    -------
    sharpness : Sharpness or None
        1 for straight sharp edges, more for fine lines; None where nothing stands out from the grain by
        which focus could be judged.

    Notes
    -----
    Slopes are Gaussian gradients times their scale; the coarse scales are 4 and 12 px, the steeper of which
    counts. The median of the fine one tells the grain, which is taken off in squares.

    References
    ----------
    The gradient as a measure of focus: Pertuz et al. 2013, Pattern Recognit 46:1415-1432 (from memory).
    Taking it at several scales makes it independent of contrast.
    """
    # Centred, a flat picture is flat to the last bit in single precision as well.
    centred = grey.astype(np.float32, copy=False) - np.float32(grey.mean(dtype=np.float64))
    if is_shown is not None and is_shown.mean() < _LEAST_SHOWN:
        return None
    coarse = max(
        find_percentile(_keep(_slopes_of_reduced(centred, sigma), is_shown), _STRONGEST_PERCENT)
        for sigma in (_MIDDLE_PX, _COARSE_PX)
    )
    if coarse <= _LEAST_EDGE:
        return None
    # Neighbouring rows tell the same.
    fine = _keep(_slopes(centred, _FINE_PX), is_shown)[::2]
    median, steepest = (find_percentile(fine, percent) for percent in (50.0, _STRONGEST_PERCENT))
    grain = _STRONGEST_OF_GRAIN * median
    value, at_most = (
        math.sqrt(max(slope**2 - grain**2, 0.0)) / coarse
        for slope in (steepest, max(steepest, _SURELY_MORE * grain))
    )
    return None if value < LEAST_SHARPNESS <= at_most else Sharpness(value, at_most)


def find_shown(grey: NDArray[np.floating[Any]]) -> NDArray[np.bool_] | None:
    """What lies clear of large black areas, whose borders are sharp however a picture is; None: all of it.

    Parameters
    ----------
    grey : ndarray of shape (H, W)
        Brightness, 0 to 255.
    """
    is_black = (grey < LEAST_GREY).astype(np.uint8)
    if is_black.sum() < _BLACK_PX**2:
        return None
    wide = cv2.morphologyEx(is_black, cv2.MORPH_OPEN, np.ones((_BLACK_PX, _BLACK_PX), np.uint8))
    if not wide.any():
        return None
    side = 2 * _BORDER_PX + 1
    return np.asarray(cv2.dilate(wide, np.ones((side, side), np.uint8)) == 0)


def _keep(slopes: NDArray[np.float32], is_shown: NDArray[np.bool_] | None) -> NDArray[np.float32]:
    """All slopes, or those of what is shown, whose mask may have more pixels."""
    if is_shown is None:
        return slopes
    rows, columns = slopes.shape
    mask = cv2.resize(is_shown.astype(np.uint8), (columns, rows), interpolation=cv2.INTER_NEAREST) > 0
    return slopes[mask]


def _slopes_of_reduced(centred: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """The same slopes where the scale is coarse, at a fraction of the pixels.

    Means over squares blur as well, by the variance of their side, which the Gaussian is narrower by.
    """
    side = max(1, min(int(sigma / _REDUCED_SIGMA_PX), min(centred.shape) // _LEAST_REDUCED_PX))
    rows, columns = (length // side for length in centred.shape)
    squares = centred[: rows * side, : columns * side]
    reduced = np.asarray(cv2.resize(squares, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)
    left = math.sqrt(sigma**2 - (side**2 - 1) / 12) / side
    return _slopes(reduced, left) * np.float32(sigma / side / left)


def _slopes(centred: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Gaussian gradient magnitude times its scale; OpenCV does it in a fraction of SciPy's time."""
    reach = int(4 * sigma + 0.5)
    at = np.arange(-reach, reach + 1)
    bell = np.exp(-0.5 * (at / sigma) ** 2)
    bell /= bell.sum()
    slope = -at / sigma**2 * bell
    along, across = (
        cv2.sepFilter2D(centred, cv2.CV_32F, x, y, borderType=cv2.BORDER_REFLECT)
        for x, y in ((slope, bell), (bell, slope))
    )
    return np.asarray(np.float32(sigma) * cv2.magnitude(along, across))


def blur_px(sharpness: float) -> float:
    """Standard deviation in px of the Gaussian blur that gives a straight edge this sharpness.

    Notes
    -----
    Worked out here: a step of height h blurred by b has its steepest slope, times the scale s, at
    h s / sqrt(2 pi (s² + b²)), so the squared sharpness is (144 + b²) / (144 (1 + b²)). Lines and small
    things are sharper than long edges of the same blur, so b is the least that a picture is blurred by:
    0 for 1 and above, infinite for 1/12 and below.
    """
    if sharpness >= 1:
        return 0.0
    if sharpness <= _DULLEST:
        return math.inf
    return math.sqrt((1 - sharpness**2) * _COARSE_PX**2 / (_COARSE_PX**2 * sharpness**2 - 1))


def measure_focus(
    picture: Picture, um_per_px: float | None, *, overview_px: int, threads: int = 1
) -> Focus | None:
    """Sharpness of the sharpest of some samples spread over the picture; None where none can be judged.

    Parameters
    ----------
    picture : Picture
    um_per_px : float or None
        Its scale.
    overview_px : int
        Longer side that it is measured at where its scale is unknown.
    threads : int
        Samples that are judged side by side.
    """
    if um_per_px is None:
        factor = min(1.0, overview_px / max(picture.width, picture.height))
    else:
        factor = min(1.0, um_per_px / SHARPNESS_UM_PER_PX)
    rows, columns = max(1, round(picture.height * factor)), max(1, round(picture.width * factor))
    height, width = min(_SAMPLE_PX, rows), min(_SAMPLE_PX, columns)
    lefts, tops = (
        _spread_samples(side, sample_px, is_in_file=picture.pixel_file is not None)
        for side, sample_px in ((columns, width), (rows, height))
    )

    def judge(corner: tuple[int, int]) -> Sharpness | None:
        pixels = picture.read_region(*corner, width, height, scaled_to_hw=(rows, columns))
        return _measure_shown(to_grey(pixels))

    corners = [(int(x), int(y)) for y in tops for x in lefts]
    parts = [
        (left / factor, top / factor, (right - left) / factor, (bottom - top) / factor)
        for top, bottom in _part(tops, height, rows)
        for left, right in _part(lefts, width, columns)
    ]
    with ThreadPoolExecutor(threads, thread_name_prefix="focus") as pool:
        judgements = pool.map(judge, corners)
        cells = [FocusCell(*part, one) for part, one in zip(parts, judgements, strict=True)]
    judged = [cell.sharpness for cell in cells if cell.sharpness is not None]
    if not judged:
        return None
    sharpest = max(judged, key=lambda sharpness: sharpness.value)
    return Focus(sharpest, None if um_per_px is None else um_per_px / factor, tuple(cells))


def _measure_shown(grey: NDArray[np.floating[Any]]) -> Sharpness | None:
    return measure_sharpness(grey, find_shown(grey))


def _spread_samples(side: int, sample_px: int, *, is_in_file: bool) -> NDArray[np.int64]:
    """Where samples begin along a side: each half over the one before, or up to a number spread apart."""
    half_over = 1 + -(-2 * (side - sample_px) // sample_px)
    n = max(min(_MOST_SAMPLES_A_SIDE, half_over), min(_MOST_CELLS_A_SIDE, side // sample_px))
    if is_in_file and n > _MOST_SAMPLES_A_SIDE:
        # They begin where tiles of the file do, so that fewer of these are decoded for each.
        return sample_px * np.rint(np.linspace(0, side // sample_px - 1, n)).astype(np.int64)
    return np.linspace(0, side - sample_px, n).astype(np.int64)


def _part(starts: NDArray[np.int64], sample_px: int, side: int) -> list[tuple[float, float]]:
    """From where to where each sample speaks for the side: to halfway to the next one."""
    middles = starts + sample_px / 2
    edges = [0.0, *((middles[1:] + middles[:-1]) / 2).tolist(), float(side)]
    return list(pairwise(edges))
