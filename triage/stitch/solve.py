"""All places at once: robust weighted least squares over what the overlaps say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import bmat, coo_matrix, csc_matrix, csr_matrix, diags
from scipy.sparse.linalg import spsolve

from triage.stitch.certainty import find_variances, rate_scatter
from triage.stitch.groups import find_groups
from triage.stitch.records import Measured, Pair

_ROUNDS = 20
_SETTLED_PX = 1e-3
# Beyond so many deviations a place counts by its distance instead of the square, which wrong ones can't bend.
_SOFT = 1.25
_MOST_DISAGREEMENT_PX = 3.0
_MOST_DEVIATIONS = 10.0
# Turns are kept only where they explain this share of the disagreement; otherwise they would bend the scan.
_TURN_GAIN = 0.7
_TURN_PRIOR_RAD = 0.02
# Deviation of a place that is found as a patch and not measured further, at full likeness (drawn scans).
_FOUND_SD_PX = 0.3
# The median distance of a normal scatter in a plane, in deviations.
_MEDIAN_DEVIATIONS = 1.1774


@dataclass(frozen=True)
class Places:
    """Middles and turns of the fields, each connected group in a frame of its own.

    Attributes
    ----------
    middle_xy : ndarray of shape (N, 2)
        In pixels.
    turn_rad : ndarray of shape (N,)
        0 for all where turning explains nothing.
    group : ndarray of shape (N,)
        Which fields hang together.
    sd_px : ndarray of shape (N,)
        Standard uncertainty of the place against the field of its group from which half of the others
        are known best; how the whole group lies and is turned is nobody's to know.
    kept, rejected : tuple of Pair
    residual_px : float
        Median disagreement of the pairs kept.
    """

    middle_xy: NDArray[np.float64]
    turn_rad: NDArray[np.float64]
    group: NDArray[np.int64]
    sd_px: NDArray[np.float64]
    kept: tuple[Pair, ...]
    rejected: tuple[Pair, ...]
    residual_px: float


def solve_places(n: int, pairs: Sequence[Pair]) -> Places:
    """Places of `n` fields from their overlaps; pairs that disagree with the rest are rejected.

    Notes
    -----
    A place seen at p in one field and at q in another, both from its middle, gives
    `x + R(a) p = y + R(b) q` in the middles x, y and the turns a, b; it is made linear in the turns around
    those of the last round, since leaving out their squares would shrink a large scan. What is far off counts
    by its distance (reweighting), which a few wrong pairs can't bend; pairs more than 3 px off are dropped,
    the worst first.
    """
    kept, rejected = list(pairs), []
    while True:
        still = _solve(n, kept, has_turns=False)
        turned = _solve(n, kept, has_turns=True)
        is_turned = bool(kept) and turned.typical < _TURN_GAIN * still.typical
        solution = turned if is_turned else still
        worst = solution.pair_off_px.max(initial=0.0)
        if worst <= _MOST_DISAGREEMENT_PX:
            break
        # Half of the worst at a time: one wrong pair can pull right ones beyond the limit.
        limit = max(_MOST_DISAGREEMENT_PX, worst / 2)
        off = solution.pair_off_px > limit
        rejected += [pair for pair, is_off in zip(kept, off, strict=True) if is_off]
        kept = [pair for pair, is_off in zip(kept, off, strict=True) if not is_off]
    group = find_groups(n, kept)
    variances = find_variances(solution.normal, solution.middle_xy, group, has_turns=is_turned)
    scatter = rate_scatter(n, kept, solution.pair_deviations / solution.spread)
    return Places(
        middle_xy=solution.middle_xy,
        turn_rad=solution.turn_rad,
        group=group,
        sd_px=solution.spread * np.sqrt(variances) * scatter,
        kept=tuple(kept),
        rejected=tuple(rejected),
        residual_px=float(np.median(solution.off_px)) if kept else 0.0,
    )


@dataclass(frozen=True)
class _Solution:
    middle_xy: NDArray[np.float64]
    turn_rad: NDArray[np.float64]
    off_px: NDArray[np.float64]
    pair_off_px: NDArray[np.float64]
    pair_deviations: NDArray[np.float64]
    spread: float
    typical: float
    normal: csc_matrix


@dataclass(frozen=True)
class _Seen:
    """All places of all pairs, one row each."""

    pair: NDArray[np.int64]
    first: NDArray[np.int64]
    second: NDArray[np.int64]
    first_xy: NDArray[np.float64]
    second_xy: NDArray[np.float64]
    information: NDArray[np.float64]

    def take_medians(self, values: NDArray[np.float64], n_pairs: int) -> NDArray[np.float64]:
        """Median of each pair."""
        return np.array([np.median(values[self.pair == row]) for row in range(n_pairs)])


def _list_seen(pairs: Sequence[Pair]) -> _Seen:
    measured = [pair.measured or _take_as_found(pair) for pair in pairs]
    number = np.concatenate([np.full(len(one.first_xy), row) for row, one in enumerate(measured)])
    return _Seen(
        number,
        np.array([pair.first for pair in pairs])[number],
        np.array([pair.second for pair in pairs])[number],
        np.concatenate([one.first_xy for one in measured]),
        np.concatenate([one.second_xy for one in measured]),
        np.concatenate([one.information for one in measured]),
    )


def _take_as_found(pair: Pair) -> Measured:
    information = (pair.likeness / _FOUND_SD_PX)[:, None, None] ** 2 * np.eye(2)
    return Measured(pair.first_xy, pair.second_xy, information)


def _solve(n: int, pairs: Sequence[Pair], *, has_turns: bool) -> _Solution:
    if not pairs:
        none = np.zeros(0)
        return _Solution(
            np.zeros((n, 2)), np.zeros(n), none, none, none, 1.0, 0.0, csc_matrix((3 * n, 3 * n))
        )
    seen = _list_seen(pairs)
    m = len(seen.pair)
    prior = np.full(3 * n, 1e-9)
    prior[2 * n :] = _TURN_PRIOR_RAD**-2 if has_turns else 1e12
    pinned = np.unique(find_groups(n, pairs), return_index=True)[1]
    prior[np.concatenate([pinned, pinned + n])] = 1e6
    solution, trust = np.zeros(3 * n), np.ones(m)
    for _ in range(_ROUNDS):
        before = solution
        equations, wanted = _linearise(n, seen, solution[2 * n :])
        weighted = equations.T @ _weigh(seen.information * trust[:, None, None])
        normal = (weighted @ equations + diags(prior)).tocsc()
        solution = spsolve(normal, weighted @ wanted)
        left = (equations @ solution - wanted).reshape(2, m).T
        deviations = np.sqrt(np.einsum("mi,mij,mj->m", left, seen.information, left))
        trust = 1 / np.maximum(1, deviations / _SOFT)
        if np.abs(solution - before)[: 2 * n].max() < _SETTLED_PX:
            break
    off = np.hypot(*left.T)
    return _Solution(
        middle_xy=np.stack([solution[:n], solution[n : 2 * n]], axis=1),
        turn_rad=solution[2 * n :],
        off_px=off,
        pair_off_px=seen.take_medians(off, len(pairs)),
        pair_deviations=seen.take_medians(deviations, len(pairs)) / _MEDIAN_DEVIATIONS,
        spread=max(1.0, float(np.median(deviations)) / _MEDIAN_DEVIATIONS),
        typical=float(np.sqrt(np.mean(np.minimum(deviations, _MOST_DEVIATIONS) ** 2))),
        normal=normal,
    )


def _weigh(information: NDArray[np.float64]) -> csr_matrix:
    """Weights of all equations: x of all places, then y."""
    (xx, xy), (_, yy) = np.moveaxis(information, 0, -1)
    return bmat([[diags(xx), diags(xy)], [diags(xy), diags(yy)]]).tocsr()


def _linearise(n: int, seen: _Seen, turn_rad: NDArray[np.float64]) -> tuple[csr_matrix, NDArray[np.float64]]:
    """Equations and what they should give, around these turns."""
    p, p_bend = _turn(seen.first_xy, turn_rad[seen.first])
    q, q_bend = _turn(seen.second_xy, turn_rad[seen.second])
    wanted = (q - q_bend) - (p - p_bend)
    return _build(n, seen.first, seen.second, p, q), np.concatenate([wanted[:, 0], wanted[:, 1]])


def _turn(
    xy: NDArray[np.float64], turn_rad: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turned places, and the turn times how they move with it."""
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    turned = np.stack([cos * xy[:, 0] - sin * xy[:, 1], sin * xy[:, 0] + cos * xy[:, 1]], axis=1)
    return turned, turn_rad[:, None] * np.stack([-turned[:, 1], turned[:, 0]], axis=1)


def _build(
    n: int,
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    p: NDArray[np.float64],
    q: NDArray[np.float64],
) -> csr_matrix:
    """Rows: x of all places, then y; columns: x, y, turn of all fields."""
    m = len(first)
    row, one = np.arange(m), np.ones(m)
    values = np.concatenate([one, -one, one, -one, -p[:, 1], q[:, 1], p[:, 0], -q[:, 0]])
    rows = np.concatenate([row, row, row + m, row + m, row, row, row + m, row + m])
    x, y, turn = 0, n, 2 * n
    columns = np.concatenate(
        [
            first + x,
            second + x,
            first + y,
            second + y,
            first + turn,
            second + turn,
            first + turn,
            second + turn,
        ]
    )
    return coo_matrix((values, (rows, columns)), shape=(2 * m, 3 * n)).tocsr()
