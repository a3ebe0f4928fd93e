"""Intervals by drawing whole specimens anew, so that pictures of one specimen never count as independent.

References
----------
Efron & Tibshirani 1993, "An Introduction to the Bootstrap" (from memory): percentile intervals. Drawing whole
clusters: Davison & Hinkley 1997, "Bootstrap Methods and their Application", section 3.8 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

N_DRAWS = 2000
SEED = 20_261
_MIDDLE_95 = (2.5, 97.5)

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]


def draw_specimens(n: int, *, n_draws: int = N_DRAWS, seed: int = SEED) -> Counts:
    """How often each of `n` specimens was drawn, in each of `n_draws` draws of `n` with replacement.

    Returns
    -------
    times : ndarray of shape (n_draws, n)
        Rows add up to n.
    """
    random = np.random.default_rng(seed)
    return random.multinomial(n, np.full(n, 1 / n), size=n_draws).astype(np.int64)


def total_by_specimen(specimens: Sequence[str], *columns: Sequence[float]) -> Floats:
    """Sums of each column over the pictures of each specimen, shape (specimens, columns)."""
    names, rows = np.unique(np.array(specimens, dtype=object).astype(str), return_inverse=True)
    return np.stack(
        [
            np.bincount(rows, weights=np.asarray(column, dtype=float), minlength=len(names))
            for column in columns
        ],
        axis=1,
    )


def bootstrap_interval(
    totals: Floats, statistic: Callable[[Floats], Floats], *, n_draws: int = N_DRAWS, seed: int = SEED
) -> tuple[float, float] | None:
    """95 % percentile interval of a figure that follows from sums over specimens.

    Parameters
    ----------
    totals : ndarray of shape (S, C)
        Sums of each of S specimens.
    statistic : callable
        From sums (n_draws, C) to one figure a draw (n_draws,); NaN where a draw says nothing.

    Returns
    -------
    interval : tuple of float, or None
        None with fewer than two specimens, or where no draw says anything.
    """
    if len(totals) < 2:
        return None
    drawn = statistic(draw_specimens(len(totals), n_draws=n_draws, seed=seed) @ totals)
    drawn = drawn[np.isfinite(drawn)]
    if not len(drawn):
        return None
    low, high = np.percentile(drawn, _MIDDLE_95)
    return float(low), float(high)


def share_of_first(sums: Floats) -> Floats:
    """First column over the second; NaN where the second is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(sums[:, 1] > 0, sums[:, 0] / sums[:, 1], np.nan))


@dataclass(frozen=True)
class NotWorse:
    """Whether a new share is not worse than an old one of the same objects, by more than a margin.

    Attributes
    ----------
    difference : float
        New share minus old.
    low : float or None
        One-sided 95 % lower end of the difference; None with fewer than two specimens.
    margin : float
    is_not_worse : bool
        Whether the lower end lies above -margin.
    """

    difference: float
    low: float | None
    margin: float
    is_not_worse: bool


def compare_paired(
    old: Floats, new: Floats, of: Floats, *, margin: float, n_draws: int = N_DRAWS, seed: int = SEED
) -> NotWorse:
    """Compare two detectors on the same specimens, drawing the specimens anew for both at once.

    Parameters
    ----------
    old, new : ndarray of shape (S,)
        Objects that each found in each specimen.
    of : ndarray of shape (S,)
        Objects there.
    margin : float
        Greatest loss of recall that is let pass, 0 to 1.
    """
    difference = float((new.sum() - old.sum()) / max(of.sum(), 1))
    if len(of) < 2 or of.sum() == 0:
        return NotWorse(difference, None, margin, is_not_worse=False)
    sums = draw_specimens(len(of), n_draws=n_draws, seed=seed) @ np.stack([new - old, of], axis=1)
    drawn = share_of_first(np.asarray(sums, dtype=np.float64))
    low = float(np.percentile(drawn[np.isfinite(drawn)], 5))
    return NotWorse(difference, low, margin, is_not_worse=low > -margin)
