"""All places at once: robust weighted least squares over what the overlaps say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from triage.stitch.records import Pair

_ROUNDS = 20
_SOFT_PX = 0.3
_MOST_DISAGREEMENT_PX = 3.0
# Turns are kept only where they explain this share of the disagreement; otherwise they would bend the scan.
_TURN_GAIN = 0.7
_TURN_PRIOR_RAD = 0.02


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
        Standard uncertainty of the place against the group's best-tied field.
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
    `x + p + a Jp = y + q + b Jq`, linear in the middles x, y and the small turns a, b (J turns by 90°). Sums
    of absolute distances are made small first (reweighting), which a few wrong pairs can't bend; then pairs
    more than 3 px off are dropped, the worst first, and the rest is solved by least squares.
    """
    kept, rejected = list(pairs), []
    while True:
        still = _solve(n, kept, has_turns=False)
        turned = _solve(n, kept, has_turns=True)
        is_turned = bool(kept) and _typical(turned.off_px) < _TURN_GAIN * _typical(still.off_px)
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
    return Places(
        middle_xy=solution.middle_xy,
        turn_rad=solution.turn_rad,
        group=group,
        sd_px=solution.sd_px,
        kept=tuple(kept),
        rejected=tuple(rejected),
        residual_px=float(np.median(solution.off_px)) if kept else 0.0,
    )


def find_groups(n: int, pairs: Sequence[Pair]) -> NDArray[np.int64]:
    """Number of the connected group of each field."""
    ends = np.array([(pair.first, pair.second) for pair in pairs], dtype=np.int64).reshape(-1, 2)
    links = csr_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(n, n))
    groups: NDArray[np.int64] = connected_components(links, directed=False)[1].astype(np.int64)
    return groups


@dataclass(frozen=True)
class _Solution:
    middle_xy: NDArray[np.float64]
    turn_rad: NDArray[np.float64]
    sd_px: NDArray[np.float64]
    off_px: NDArray[np.float64]
    pair_off_px: NDArray[np.float64]


def _typical(off_px: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(np.minimum(off_px, _MOST_DISAGREEMENT_PX) ** 2))) if off_px.size else 0.0


def _solve(n: int, pairs: Sequence[Pair], *, has_turns: bool) -> _Solution:
    if not pairs:
        zero = np.zeros(n)
        return _Solution(np.zeros((n, 2)), zero, zero, np.zeros(0), np.zeros(0))
    number = np.concatenate([np.full(len(pair.likeness), row) for row, pair in enumerate(pairs)])
    first = np.array([pair.first for pair in pairs])[number]
    second = np.array([pair.second for pair in pairs])[number]
    p = np.concatenate([pair.first_xy for pair in pairs])
    q = np.concatenate([pair.second_xy for pair in pairs])
    likeness = np.concatenate([pair.likeness for pair in pairs])
    equations = _build(n, first, second, p, q)
    wanted = np.concatenate([q[:, 0] - p[:, 0], q[:, 1] - p[:, 1]])
    prior = np.full(3 * n, 1e-9)
    prior[2 * n :] = (0.3 / _TURN_PRIOR_RAD) ** 2 if has_turns else 1e12
    # Held from the best-tied field: a loose one would make all others look uncertain.
    tied = np.argsort(-np.bincount(np.concatenate([first, second]), minlength=n), kind="stable")
    pinned = tied[np.unique(find_groups(n, pairs)[tied], return_index=True)[1]]
    prior[np.concatenate([pinned, pinned + n])] = 1e6
    weights = likeness**2
    solution, off = np.zeros(3 * n), np.zeros(len(number))
    scale = weights
    for _ in range(_ROUNDS):
        normal = _normal(equations, scale, prior)
        factor = splu(normal)
        solution = factor.solve(equations.T @ (np.tile(scale, 2) * wanted))
        left = equations @ solution - wanted
        off = np.hypot(left[: len(number)], left[len(number) :])
        scale = weights / np.maximum(off, _SOFT_PX)
    pair_off = np.array([np.median(off[number == row]) for row in range(len(pairs))])
    # Robust: the median distance of a normal scatter in a plane is 1.1774 deviations.
    spread = max(0.02, float(np.median(off)) / 1.1774)
    diagonal = _find_variances(factor, n, scale, weights)
    return _Solution(
        np.stack([solution[:n], solution[n : 2 * n]], axis=1),
        solution[2 * n :],
        spread * np.sqrt(diagonal),
        off,
        pair_off,
    )


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


def _normal(equations: csr_matrix, scale: NDArray[np.float64], prior: NDArray[np.float64]) -> csr_matrix:
    weighted = equations.multiply(np.tile(scale, 2)[:, None]).tocsr()
    n = len(prior)
    return (equations.T @ weighted + csr_matrix((prior, (np.arange(n), np.arange(n))), shape=(n, n))).tocsc()


def _find_variances(
    factor: object, n: int, scale: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Variance of each place in units of one observation's, the larger of x and y."""
    variances = np.zeros(2 * n)
    for start in range(0, 2 * n, 64):
        columns = np.arange(start, min(start + 64, 2 * n))
        unit = np.zeros((3 * n, len(columns)))
        unit[columns, np.arange(len(columns))] = 1
        variances[columns] = factor.solve(unit)[columns, np.arange(len(columns))]  # type: ignore[attr-defined]
    typical = float(np.median(scale / weights))
    return np.maximum(variances[:n], variances[n:]).clip(0, 1e6) * typical
