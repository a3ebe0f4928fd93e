"""Which fields hang together by their pairs, and which pairs alone do that."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from triage.stitch.records import Pair


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
