"""One field laid on another without stretching: a shift, or a shift and a turn."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_LEAST_SPAN_PX = 60.0


def fit_stiff(
    theirs_xy: NDArray[np.float64], ours_xy: NDArray[np.float64], *, has_turn: bool
) -> NDArray[np.float64]:
    """The shift, or shift and turn, that lays theirs on ours; shape (2, 3)."""
    theirs_middle, ours_middle = theirs_xy.mean(axis=0), ours_xy.mean(axis=0)
    q, p = theirs_xy - theirs_middle, ours_xy - ours_middle
    turn = float(np.arctan2((q[:, 0] * p[:, 1] - q[:, 1] * p[:, 0]).sum(), (q * p).sum())) if has_turn else 0
    rotation = rotate(turn)
    return np.column_stack([rotation, ours_middle - rotation @ theirs_middle])


def tells_turn(places_xy: NDArray[np.float64]) -> bool:
    """Whether places lie far enough apart to say how a field is turned."""
    return bool(np.ptp(places_xy, axis=0).max() > _LEAST_SPAN_PX)


def rotate(turn_rad: float) -> NDArray[np.float64]:
    """The turn as a matrix, shape (2, 2)."""
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    return np.array([[cos, -sin], [sin, cos]])


def find_shared(to_ours: NDArray[np.float64], height: int, width: int) -> tuple[int, int, int, int]:
    """Left, top, right and lower edge in ours of the rectangle around what theirs covers."""
    corners = np.array([(0, 0), (width, 0), (0, height), (width, height)], dtype=np.float64)
    xy = corners @ to_ours[:, :2].T + to_ours[:, 2]
    low, high = np.floor(xy.min(axis=0)), np.ceil(xy.max(axis=0))
    return (
        max(0, int(low[0])),
        max(0, int(low[1])),
        min(width, int(high[0])),
        min(height, int(high[1])),
    )
