"""Whether all that two fields should both show agrees, not only the few places that made them a pair."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.stitch.stiff import find_shared, fit_stiff

_SIDES_PX = (18, 40)
# A patch may lie this far from where a turn from few places puts it.
_LOOSE_PX = 3
# What stands out less than this from the grain is not expected to be found again (drawn scans).
_LEAST_SPREAD = 2.0
_GRAINS = 3.0
_MOST_UNLIKE = 0.4
# Of right pairs of drawn scans a tenth contradicts at most (dust on the sensor, edges); of wrong ones, a
# quarter and more: two round bubbles look alike, but not all that lies around them.
_LEAST_CONTRADICTING = 3
_MOST_SHARE = 0.2
# In a thin overlap few patches stand out, so these also weigh against those that made the pair.
_MOST_TO_AGREEING = 0.5


@dataclass(frozen=True)
class Agreement:
    """How many places made a pair; how many patches stand out in all; how many are not found again."""

    agreeing: int
    lively: int
    contradicting: int

    @property
    def is_contradicted(self) -> bool:
        """Whether the two fields can't show the same place."""
        return (
            self.contradicting >= _LEAST_CONTRADICTING
            and self.contradicting > _MOST_SHARE * self.lively
            and self.contradicting > _MOST_TO_AGREEING * self.agreeing
        )


def compare_shared(
    ours: NDArray[np.float32],
    theirs: NDArray[np.float32],
    ours_xy: NDArray[np.float64],
    theirs_xy: NDArray[np.float64],
    *,
    has_turn: bool,
    grain: float,
) -> Agreement:
    """Compare two fields all over what they share.

    Parameters
    ----------
    ours, theirs : ndarray of shape (H, W)
    ours_xy, theirs_xy : ndarray of shape (M, 2)
        Places that agree, from the middle of each field.
    has_turn : bool
        Whether they agree on a turn, too.
    grain : float
        Deviation of the grain in both.
    """
    height, width = ours.shape
    half = np.array([width, height]) / 2
    to_ours = fit_stiff(theirs_xy + half, ours_xy + half, has_turn=has_turn)
    left, top, right, bottom = find_shared(to_ours, height, width)
    thin = min(right - left, bottom - top)
    if thin < _SIDES_PX[0]:
        return Agreement(len(ours_xy), 0, 0)
    side = int(np.clip(thin // 2, *_SIDES_PX))
    to_cut = to_ours - np.array([[0, 0, left], [0, 0, top]])
    size_wh = (right - left, bottom - top)
    mine = ours[top:bottom, left:right]
    other = cv2.warpAffine(theirs, to_cut, size_wh, flags=cv2.INTER_LINEAR)
    is_seen = cv2.warpAffine(np.ones_like(theirs), to_cut, size_wh, flags=cv2.INTER_NEAREST) > 0
    lively = contradicting = 0
    for y in range(0, size_wh[1] - side + 1, side):
        for x in range(0, size_wh[0] - side + 1, side):
            here = slice(y, y + side), slice(x, x + side)
            inner = other[here][_LOOSE_PX:-_LOOSE_PX, _LOOSE_PX:-_LOOSE_PX]
            if not is_seen[here].all() or max(mine[here].std(), inner.std()) < max(
                _LEAST_SPREAD, _GRAINS * grain
            ):
                continue
            lively += 1
            likeness = cv2.matchTemplate(mine[here], np.ascontiguousarray(inner), cv2.TM_CCOEFF_NORMED)
            contradicting += bool(likeness.max() < _MOST_UNLIKE)
    return Agreement(len(ours_xy), lively, contradicting)
