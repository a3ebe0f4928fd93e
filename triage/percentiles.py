"""Percentiles and medians in a fraction of NumPy's time, which parts the values at several places."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

_Float = TypeVar("_Float", bound=np.floating[Any])


def find_percentile(values: NDArray[np.floating[Any]], percent: float) -> float:
    """What so many percent of the values lie below; between two of them in proportion, as NumPy's default.

    Parameters
    ----------
    values : ndarray
        One or more, of any shape, none of them NaN.
    percent : float
        0 to 100.
    """
    at = percent / 100 * (values.size - 1)
    low = int(at)
    parted = np.partition(values, low, axis=None)
    above = parted[min(low + 1, values.size - 1) :].min()
    return float(parted[low] + (at - low) * (above - parted[low]))


def find_median(values: NDArray[_Float]) -> NDArray[_Float]:
    """Medians along the first axis, which has one value or more, none of them NaN."""
    ordered = np.sort(values, axis=0)
    n = len(ordered)
    return np.asarray((ordered[(n - 1) // 2] + ordered[n // 2]) / 2)
