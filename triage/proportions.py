"""Intervals of proportions."""

from __future__ import annotations

import math

Z_95 = 1.959964


def wilson_interval(n_right: int, n: int, *, z: float = Z_95) -> tuple[float, float]:
    """Low and high end of the score interval of a proportion; (0, 1) when nothing was tried.

    References
    ----------
    Wilson 1927; method 3 of Newcombe 1998, Stat Med 17:857-872.
    """
    if n == 0:
        return 0.0, 1.0
    share = n_right / n
    middle = share + z * z / (2 * n)
    spread = z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    below = 1 + z * z / n
    return max((middle - spread) / below, 0.0), min((middle + spread) / below, 1.0)
