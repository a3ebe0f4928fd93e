"""Percentiles in a fraction of NumPy's time, which parts the values at several places for each."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


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
