"""Two fields at full size: patches of the one found again in the other, and whether they agree on a shift."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc

from triage.stitch.contradiction import compare_shared
from triage.stitch.records import Pair

_PATCH_PX = (20, 72)
_PATCH_SHARE = 0.55
_EDGE_PX = 2
_MOST_PATCHES = 18
# Where none of the liveliest patches is found again, the others are not looked for.
_FIRST_PATCHES = 5
# Patches less alike than this say nothing; in grain alone the best of a search stays below (drawn scans).
_LEAST_LIKENESS = 0.45
_LEAST_SPREAD = 0.6
_AGREE_PX = 1.5
_CLOSEST_PX = 0.5
_MOST_TURN_RAD = 0.045
_MOST_CHANCE = 0.002
_LEAST_AGREEING_SHARE = 0.5


def match_overlap(
    first: int,
    second: int,
    ours: NDArray[np.float32],
    theirs: NDArray[np.float32],
    offset_xy: tuple[float, float],
    *,
    reach_px: int,
    tries: int,
    grain: float = 0.0,
) -> Pair | None:
    """What two fields show in common near a shift; None where too few patches agree or the rest contradicts.

    Parameters
    ----------
    first, second : int
        Numbers of the fields.
    ours, theirs : ndarray of shape (H, W)
    offset_xy : tuple of float
        Corner of the second field against that of the first, in pixels.
    reach_px : int
        How far the shift may be wrong.
    tries : int
        Shifts that are tried for two fields; the chance of agreeing by accident grows with it.
    grain : float
        Deviation of the grain in these values.
    """
    agreed = _find_agreed(ours, theirs, offset_xy, reach_px)
    if agreed is None:
        return None
    # Near the edge of what both show, patches are lost to a guess that is a few pixels off.
    better_xy = tuple(np.median(agreed.ours_xy - agreed.theirs_xy, axis=0).tolist())
    if np.hypot(better_xy[0] - offset_xy[0], better_xy[1] - offset_xy[1]) >= 1:
        again = _find_agreed(ours, theirs, better_xy, reach_px)
        agreed = again if again is not None and again.n >= agreed.n else agreed
    share = np.pi * _measure_scatter(agreed) ** 2 / (2 * reach_px + 1) ** 2
    n, tested, freedom = agreed.n, agreed.tested, agreed.freedom
    chance = min(1.0, tries * float(bdtrc(n - freedom - 1, tested - freedom, share)))
    if n <= freedom or n < _LEAST_AGREEING_SHARE * tested or chance > _MOST_CHANCE:
        return None
    agreement = compare_shared(
        ours, theirs, agreed.ours_xy, agreed.theirs_xy, has_turn=freedom == 2, grain=grain
    )
    if agreement.is_contradicted:
        return None
    return Pair(first, second, agreed.ours_xy, agreed.theirs_xy, agreed.likeness, chance)


@dataclass(frozen=True)
class _Agreed:
    """Places, from the middle of each field, that agree on one shift (1) or a shift and a turn (2)."""

    ours_xy: NDArray[np.float64]
    theirs_xy: NDArray[np.float64]
    likeness: NDArray[np.float64]
    freedom: int
    tested: int

    @property
    def n(self) -> int:
        return len(self.likeness)


def _find_agreed(
    ours: NDArray[np.float32], theirs: NDArray[np.float32], offset_xy: tuple[float, ...], reach_px: int
) -> _Agreed | None:
    """The places that agree, near a shift; None where none is found."""
    dx, dy = (round(value) for value in offset_xy)
    places, side = _lay_patches(ours, (dx, dy))
    half = np.array(ours.shape[::-1], dtype=np.float64) / 2
    found: list[tuple[NDArray[np.float64], NDArray[np.float64], float]] = []
    for tried, (x, y) in enumerate(places):
        if tried == _FIRST_PATCHES and not found:
            return None
        match = _find_patch(ours[y : y + side, x : x + side], theirs, (x - dx, y - dy), reach_px)
        if match is not None:
            middle = np.array([x, y]) + side / 2
            found.append((middle - half, np.array(match[:2]) + side / 2 - half, match[2]))
    if not found:
        return None
    ours_xy, theirs_xy = (np.array([each[column] for each in found]) for column in (0, 1))
    likeness = np.array([each[2] for each in found])
    kept, freedom = _find_agreement(ours_xy, theirs_xy)
    return _Agreed(ours_xy[kept], theirs_xy[kept], likeness[kept], freedom, len(found))


def _measure_scatter(agreed: _Agreed) -> float:
    """Farthest of the agreeing places from where they agree on, in pixels.

    Places that agree closely are less likely to do so by accident than the limit allows.
    """
    if agreed.freedom > 1:
        return _AGREE_PX
    offsets = agreed.ours_xy - agreed.theirs_xy
    farthest = float(np.hypot(*(offsets - np.median(offsets, axis=0)).T).max())
    return float(np.clip(farthest, _CLOSEST_PX, _AGREE_PX))


def _lay_patches(ours: NDArray[np.float32], offset_xy: tuple[int, int]) -> tuple[list[tuple[int, int]], int]:
    """Corners of the patches of `ours` that show most, and their side; none where nothing overlaps."""
    height, width = ours.shape
    dx, dy = offset_xy
    left, right, top, bottom = max(0, dx), min(width, width + dx), max(0, dy), min(height, height + dy)
    thin = min(right - left, bottom - top)
    if thin < _PATCH_PX[0] + 2 * _EDGE_PX:
        return [], 0
    side = int(np.clip(_PATCH_SHARE * thin, *_PATCH_PX))
    corners = []
    # A patch at the very edge has its best place at the edge of the search, where no top can be told.
    for low, high in ((left + _EDGE_PX, right - side - _EDGE_PX), (top + _EDGE_PX, bottom - side - _EDGE_PX)):
        corners.append(np.unique(np.linspace(low, high, max(2, (high - low) // side + 1)).astype(int)))
    spreads = {
        (int(x), int(y)): float(ours[y : y + side, x : x + side].std())
        for x in corners[0]
        for y in corners[1]
    }
    lively = sorted((-spread, place) for place, spread in spreads.items() if spread >= _LEAST_SPREAD)
    return [place for _, place in lively[:_MOST_PATCHES]], side


def _find_patch(
    patch: NDArray[np.float32], field: NDArray[np.float32], near_xy: tuple[int, int], reach_px: int
) -> tuple[float, float, float] | None:
    """Corner x, y of the patch in another field, and how alike it is there."""
    height, width = field.shape
    side = patch.shape[0]
    left, top = max(0, near_xy[0] - reach_px), max(0, near_xy[1] - reach_px)
    right = min(width, near_xy[0] + side + reach_px)
    bottom = min(height, near_xy[1] + side + reach_px)
    if right - left < side + 3 or bottom - top < side + 3:
        return None
    likeness = cv2.matchTemplate(field[top:bottom, left:right], patch, cv2.TM_CCOEFF_NORMED)
    _, best, _, (column, row) = cv2.minMaxLoc(likeness)
    if not _LEAST_LIKENESS <= best <= 1.001 or not 0 < column < likeness.shape[1] - 1:
        return None
    if not 0 < row < likeness.shape[0] - 1:
        return None
    if field[top + row : top + row + side, left + column : left + column + side].std() < _LEAST_SPREAD:
        return None
    shift_x, shift_y = _find_top(np.asarray(likeness[row - 1 : row + 2, column - 1 : column + 2], np.float32))
    return left + column + shift_x, top + row + shift_y, float(best)


def _find_top(around: NDArray[np.float32]) -> tuple[float, float]:
    """Place x, y of the top of a parabola through nine values, at most one pixel from the middle."""
    values = around.astype(np.float64)
    slope_x = (values[:, 2] - values[:, 0]).sum() / 6
    slope_y = (values[2] - values[0]).sum() / 6
    bend_x = (values[:, 2] + values[:, 0] - 2 * values[:, 1]).sum() / 3
    bend_y = (values[2] + values[0] - 2 * values[1]).sum() / 3
    twist = (values[2, 2] + values[0, 0] - values[0, 2] - values[2, 0]) / 4
    bend = bend_x * bend_y - twist**2
    if bend <= 1e-12 or bend_x >= 0:
        return 0.0, 0.0
    x = (twist * slope_y - bend_y * slope_x) / bend
    y = (twist * slope_x - bend_x * slope_y) / bend
    return float(np.clip(x, -1, 1)), float(np.clip(y, -1, 1))


def _find_agreement(
    ours_xy: NDArray[np.float64], theirs_xy: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], int]:
    """Which places agree on one shift, or on one shift with a small turn; and how many fix it (1 or 2)."""
    offsets = ours_xy - theirs_xy
    apart = np.hypot(*np.moveaxis(offsets[:, None] - offsets[None], -1, 0)) <= _AGREE_PX
    best, freedom = apart[int(apart.sum(axis=1).argmax())], 1
    for one, other in combinations(range(len(offsets)), 2):
        span, change = theirs_xy[one] - theirs_xy[other], offsets[one] - offsets[other]
        length = float(span @ span)
        if length < 1:
            continue
        turn = float(span[0] * change[1] - span[1] * change[0]) / length
        if abs(turn) > _MOST_TURN_RAD:
            continue
        left = offsets - turn * np.stack([-theirs_xy[:, 1], theirs_xy[:, 0]], axis=1)
        agreed = np.hypot(*(left - (left[one] + left[other]) / 2).T) <= _AGREE_PX
        # A turn is one more number that can be fitted, so it must explain two more places.
        if agreed.sum() >= best.sum() + (2 if freedom == 1 else 1):
            best, freedom = agreed, 2
    return best, freedom
