"""How uncertain the places are that were solved for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.linalg import SuperLU

from triage.stitch.records import Pair

_COLUMNS_AT_ONCE = 64


@dataclass(frozen=True)
class Frame:
    """What the places of turned fields are uncertain against: their group, its middle, its mean turn."""

    group: NDArray[np.int64]
    pinned: NDArray[np.int64]
    ties: NDArray[np.int64]


def find_variances(
    factor: SuperLU, middle_xy: NDArray[np.float64], frame: Frame | None
) -> NDArray[np.float64]:
    """Variance of each place in units of one observation's, the larger of x and y.

    Notes
    -----
    No overlap says how a group of turned fields lies as a whole, so that the far ones would look uncertain
    by metres. Each place is therefore taken less what the mean turn of its group moves it by.
    """
    n = len(middle_xy)
    variances = np.zeros(2 * n)
    for start in range(0, 2 * n, _COLUMNS_AT_ONCE):
        columns = np.arange(start, min(start + _COLUMNS_AT_ONCE, 2 * n))
        unit = np.zeros((3 * n, len(columns)))
        unit[columns, np.arange(len(columns))] = 1
        if frame is not None:
            unit[2 * n :] -= _take_mean_turn(columns, middle_xy, frame)
        variances[columns] = (unit * factor.solve(unit)).sum(axis=0)
    return np.maximum(variances[:n], variances[n:]).clip(0, 1e6)


def _take_mean_turn(
    columns: NDArray[np.int64], middle_xy: NDArray[np.float64], frame: Frame
) -> NDArray[np.float64]:
    """How each of these coordinates moves with the turn of each field, shape (N, C), by way of the mean."""
    n = len(middle_xy)
    field, is_y = columns % n, columns >= n
    shared = frame.group[:, None] == frame.group[field][None]
    ties = frame.ties[:, None] * shared
    from_middle = middle_xy[field] - middle_xy[frame.pinned[frame.group[field]]]
    moved = np.where(is_y, from_middle[:, 0], -from_middle[:, 1])
    moves: NDArray[np.float64] = moved[None] * ties / np.maximum(ties.sum(axis=0), 1)
    return moves


def rate_scatter(n: int, pairs: Sequence[Pair], scatter: NDArray[np.float64]) -> NDArray[np.float64]:
    """How many times as much the best pair of each field scatters as pairs usually do; 1 at least."""
    least = np.full(n, np.inf)
    for pair, one in zip(pairs, scatter, strict=True):
        least[[pair.first, pair.second]] = np.minimum(least[[pair.first, pair.second]], one)
    return np.where(np.isinf(least), 1.0, least.clip(1.0))
