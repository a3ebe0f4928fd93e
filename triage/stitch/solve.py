"""All places at once: robust weighted least squares over what the overlaps say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import SuperLU, splu

from triage.stitch.records import Pair

_ROUNDS = 20
_SOFT_PX = 0.3
_MOST_DISAGREEMENT_PX = 3.0
# Turns are kept only where they explain this share of the disagreement; otherwise they would bend the scan.
_TURN_GAIN = 0.7
_TURN_PRIOR_RAD = 0.02
_COLUMNS_AT_ONCE = 64


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
        Standard uncertainty of the place against the group's best-tied field, in the frame in which the
        fields are turned by nothing on average; how the whole group lies is nobody's to know.
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
    those of the last round, since leaving out their squares would shrink a large scan. Sums of absolute
    distances are made small (reweighting), which a few wrong pairs can't bend; pairs more than 3 px off are
    dropped, the worst first.
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


def find_bridges(n: int, pairs: Sequence[Pair]) -> list[int]:
    """Which pairs alone tie two parts together: without one of them `n` fields are in one group more.

    Notes
    -----
    Fields are walked depth first; a pair is a bridge where nothing behind it leads back to before it.

    References
    ----------
    R. E. Tarjan, "A note on finding the bridges of a graph", 1974 (from memory).
    """
    ties: list[list[tuple[int, int]]] = [[] for _ in range(n)]
    for number, pair in enumerate(pairs):
        ties[pair.first].append((pair.second, number))
        ties[pair.second].append((pair.first, number))
    met, earliest, bridges = [-1] * n, [0] * n, []
    count = 0
    for root in range(n):
        if met[root] >= 0:
            continue
        met[root] = earliest[root] = count
        count += 1
        way = [(root, -1, iter(ties[root]))]
        while way:
            field, came_by, rest = way[-1]
            other, number = next(rest, (-1, -1))
            if other < 0:
                way.pop()
                if way:
                    before = way[-1][0]
                    earliest[before] = min(earliest[before], earliest[field])
                    if earliest[field] > met[before]:
                        bridges.append(came_by)
            elif met[other] < 0:
                met[other] = earliest[other] = count
                count += 1
                way.append((other, number, iter(ties[other])))
            elif number != came_by:
                earliest[field] = min(earliest[field], met[other])
    return sorted(bridges)


@dataclass(frozen=True)
class _Solution:
    middle_xy: NDArray[np.float64]
    turn_rad: NDArray[np.float64]
    sd_px: NDArray[np.float64]
    off_px: NDArray[np.float64]
    pair_off_px: NDArray[np.float64]


def _typical(off_px: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(np.minimum(off_px, _MOST_DISAGREEMENT_PX) ** 2))) if off_px.size else 0.0


@dataclass(frozen=True)
class _Seen:
    """All places of all pairs, one row each."""

    pair: NDArray[np.int64]
    first: NDArray[np.int64]
    second: NDArray[np.int64]
    first_xy: NDArray[np.float64]
    second_xy: NDArray[np.float64]
    weight: NDArray[np.float64]


def _list_seen(pairs: Sequence[Pair]) -> _Seen:
    number = np.concatenate([np.full(len(pair.likeness), row) for row, pair in enumerate(pairs)])
    return _Seen(
        number,
        np.array([pair.first for pair in pairs])[number],
        np.array([pair.second for pair in pairs])[number],
        np.concatenate([pair.first_xy for pair in pairs]),
        np.concatenate([pair.second_xy for pair in pairs]),
        np.concatenate([pair.likeness for pair in pairs]) ** 2,
    )


def _solve(n: int, pairs: Sequence[Pair], *, has_turns: bool) -> _Solution:
    if not pairs:
        zero = np.zeros(n)
        return _Solution(np.zeros((n, 2)), zero, zero, np.zeros(0), np.zeros(0))
    seen = _list_seen(pairs)
    m = len(seen.pair)
    prior = np.full(3 * n, 1e-9)
    prior[2 * n :] = (0.3 / _TURN_PRIOR_RAD) ** 2 if has_turns else 1e12
    # Held from the best-tied field: a loose one would make all others look uncertain.
    ties = np.bincount(np.concatenate([seen.first, seen.second]), minlength=n)
    tied, group = np.argsort(-ties, kind="stable"), find_groups(n, pairs)
    pinned = tied[np.unique(group[tied], return_index=True)[1]]
    prior[np.concatenate([pinned, pinned + n])] = 1e6
    solution, off, scale = np.zeros(3 * n), np.zeros(m), seen.weight
    for _ in range(_ROUNDS):
        equations, wanted = _linearise(n, seen, solution[2 * n :])
        factor = splu(_normal(equations, scale, prior))
        solution = factor.solve(equations.T @ (np.tile(scale, 2) * wanted))
        left = equations @ solution - wanted
        off = np.hypot(left[:m], left[m:])
        scale = seen.weight / np.maximum(off, _SOFT_PX)
    pair_off = np.array([np.median(off[seen.pair == row]) for row in range(len(pairs))])
    # Robust: the median distance of a normal scatter in a plane is 1.1774 deviations.
    spread = max(0.02, float(np.median(off)) / 1.1774)
    middle_xy = np.stack([solution[:n], solution[n : 2 * n]], axis=1)
    frame = _Frame(group, pinned, ties) if has_turns else None
    variances = _find_variances(factor, middle_xy, frame) * float(np.median(scale / seen.weight))
    sd = spread * np.sqrt(variances) * _rate_scatter(n, pairs, pair_off / (1.1774 * spread))
    return _Solution(middle_xy, solution[2 * n :], sd, off, pair_off)


def _rate_scatter(n: int, pairs: Sequence[Pair], scatter: NDArray[np.float64]) -> NDArray[np.float64]:
    """How many times as much the best pair of each field scatters as pairs usually do; 1 at least."""
    least = np.full(n, np.inf)
    for pair, one in zip(pairs, scatter, strict=True):
        least[[pair.first, pair.second]] = np.minimum(least[[pair.first, pair.second]], one)
    return np.where(np.isinf(least), 1.0, least.clip(1.0))


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


def _normal(equations: csr_matrix, scale: NDArray[np.float64], prior: NDArray[np.float64]) -> csr_matrix:
    weighted = equations.multiply(np.tile(scale, 2)[:, None]).tocsr()
    n = len(prior)
    return (equations.T @ weighted + csr_matrix((prior, (np.arange(n), np.arange(n))), shape=(n, n))).tocsc()


@dataclass(frozen=True)
class _Frame:
    """What the places of turned fields are uncertain against: their group, its middle, its mean turn."""

    group: NDArray[np.int64]
    pinned: NDArray[np.int64]
    ties: NDArray[np.int64]


def _find_variances(
    factor: SuperLU, middle_xy: NDArray[np.float64], frame: _Frame | None
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
    columns: NDArray[np.int64], middle_xy: NDArray[np.float64], frame: _Frame
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
