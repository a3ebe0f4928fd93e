"""How uncertain the places are that were solved for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix

from triage.stitch.records import Pair

# Turns known better than this count alike.
_KNOWN_TURN_RAD = 2e-4


def find_variances(
    normal: csc_matrix, middle_xy: NDArray[np.float64], group: NDArray[np.int64], *, has_turns: bool
) -> NDArray[np.float64]:
    """Variance of each place against the field of its group that others are known best from.

    Parameters
    ----------
    normal : sparse matrix of shape (3 N, 3 N)
        Normal equations in x, then y, then the turn of all fields; groups share none.
    middle_xy : ndarray of shape (N, 2)
    group : ndarray of shape (N,)
    has_turns : bool

    Returns
    -------
    variances : ndarray of shape (N,)
        The larger of x and y; 0 for a field alone.

    Notes
    -----
    No overlap says how a group of turned fields lies as a whole, so that the far ones would look uncertain
    by metres. Each place is therefore taken less what the mean turn of those fields moves it by whose turn
    is well known against that field's; a part that turns about a weak tie is no measure for the others.
    """
    n = len(middle_xy)
    variances = np.zeros(n)
    for one in np.unique(group):
        members = (group == one).nonzero()[0]
        k = len(members)
        if k < 2:
            continue
        rows = np.concatenate([members, members + n, members + 2 * n])
        covariance = np.linalg.inv(normal[rows][:, rows].toarray())
        blocks = covariance.reshape(3, k, 3, k).transpose(0, 2, 1, 3)
        variances[members] = _measure_from_best(blocks, middle_xy[members], has_turns=has_turns)
    return variances.clip(0, 1e6)


def _measure_from_best(
    blocks: NDArray[np.float64], middle_xy: NDArray[np.float64], *, has_turns: bool
) -> NDArray[np.float64]:
    """Variances of the places from the field with the least median; itself counts as its best known fellow.

    `blocks` holds the covariances of x, y and turn with each other, shape (3, 3, K, K).
    """
    apart = [_part(blocks[axis, axis]) for axis in range(2)]
    if has_turns:
        share = 1 / (_part(blocks[2, 2]) + _KNOWN_TURN_RAD**2)
        share /= share.sum(axis=1, keepdims=True)
        mean_variance = ((share @ blocks[2, 2]) * share).sum(axis=1)
        x, y = middle_xy.T
        for axis, lever in ((0, y[:, None] - y[None]), (1, x[None] - x[:, None])):
            with_mean = blocks[axis, 2] @ share.T
            apart[axis] += 2 * lever * (with_mean - with_mean.diagonal()) + lever**2 * mean_variance
    others = np.maximum(*apart)
    np.fill_diagonal(others, np.nan)
    best = int(np.nanmedian(others, axis=0).argmin())
    row = others[:, best]
    row[best] = np.nanmin(row)
    return row


def _part(covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance of the differences of all values, shape (K, K)."""
    own = covariance.diagonal()
    parted: NDArray[np.float64] = own[:, None] + own[None] - 2 * covariance
    return parted


def rate_scatter(n: int, pairs: Sequence[Pair], scatter: NDArray[np.float64]) -> NDArray[np.float64]:
    """How many times as much the best pair of each field scatters as pairs usually do; 1 at least."""
    least = np.full(n, np.inf)
    for pair, one in zip(pairs, scatter, strict=True):
        least[[pair.first, pair.second]] = np.minimum(least[[pair.first, pair.second]], one)
    return np.where(np.isinf(least), 1.0, least.clip(1.0))
