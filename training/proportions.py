"""Differences of proportions."""

from __future__ import annotations

import math

from training.metrics import wilson_interval
from triage.errors import RecordError


def difference_interval(n_right_1: int, n_1: int, n_right_2: int, n_2: int) -> tuple[float, float]:
    """Low and high end of the 95 % interval of the first proportion minus the second.

    Parameters
    ----------
    n_right_1, n_1, n_right_2, n_2 : int
        Counts of two groups that have nothing to do with each other; for the same slides read twice, take
        a paired method.

    Raises
    ------
    RecordError
        If a count is below 0 or above what it is out of, or a group is empty.

    References
    ----------
    Method 10 (hybrid score, without continuity correction) of Newcombe 1998, Stat Med 17:873-890.
    """
    for n_right, n in ((n_right_1, n_1), (n_right_2, n_2)):
        if n < 1 or not 0 <= n_right <= n:
            raise RecordError(
                f"A proportion is {n_right} out of {n}; the first must lie between 0 and the second, and the "
                "second be 1 or more."
            )
    share_1, share_2 = n_right_1 / n_1, n_right_2 / n_2
    low_1, high_1 = wilson_interval(n_right_1, n_1)
    low_2, high_2 = wilson_interval(n_right_2, n_2)
    difference = share_1 - share_2
    return (
        difference - math.hypot(share_1 - low_1, high_2 - share_2),
        difference + math.hypot(high_1 - share_1, share_2 - low_2),
    )
