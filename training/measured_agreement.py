"""How far two measurements of the same things agree: limits of agreement and concordance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.errors import RecordError

Floats = NDArray[np.float64]
# Bland & Altman 1986 print 2; with 1.96, 95 % of normally spread differences lie between the limits.
LIMIT_FACTOR = 1.96


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Bland-Altman figures of first minus second, in the unit of both.

    Attributes
    ----------
    n : int
    bias, sd : float
        Mean and standard deviation (n - 1) of the differences.
    low, high : float
        Bias -/+ 1.96 standard deviations.
    bias_se, limit_se : float
        Standard errors of the bias and of either limit.
    """

    n: int
    bias: float
    sd: float
    low: float
    high: float
    bias_se: float
    limit_se: float


def limits_of_agreement(first: Floats, second: Floats) -> LimitsOfAgreement:
    """Bias and limits between which 95 % of the differences are expected.

    Parameters
    ----------
    first, second : ndarray of shape (N,)
        Measurements of the same N things, in one unit.

    Raises
    ------
    RecordError
        If the lengths differ, N is below 2, or a measurement is missing.

    References
    ----------
    Bland & Altman 1986, Lancet i:307-310; the standard error of a limit is sqrt(3 s² / n) there.
    """
    first, second = _as_pairs(first, second)
    differences = first - second
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    return LimitsOfAgreement(
        n=len(differences),
        bias=bias,
        sd=sd,
        low=bias - LIMIT_FACTOR * sd,
        high=bias + LIMIT_FACTOR * sd,
        bias_se=sd / math.sqrt(len(differences)),
        limit_se=sd * math.sqrt(3 / len(differences)),
    )


def concordance(first: Floats, second: Floats) -> float | None:
    """Lin's concordance: how close pairs lie to the line of equality; 1 is on it.

    Parameters
    ----------
    first, second : ndarray of shape (N,)
        Measurements or counts of the same N things.

    Returns
    -------
    rho_c : float or None
        With variances over n; None where all values are one and the same.

    Raises
    ------
    RecordError
        If the lengths differ, N is below 2, or a measurement is missing.

    References
    ----------
    Lin 1989, Biometrics 45:255-268 (from memory): 2 s_xy / (s_x² + s_y² + (mean_x - mean_y)²).
    """
    first, second = _as_pairs(first, second)
    covariance = float(((first - first.mean()) * (second - second.mean())).mean())
    spread = float(first.var() + second.var() + (first.mean() - second.mean()) ** 2)
    return 2 * covariance / spread if spread > 0 else None


def _as_pairs(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    first, second = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if first.shape != second.shape or first.ndim != 1 or len(first) < 2:
        raise RecordError(
            f"There are {first.shape} first and {second.shape} second measurements; there must be as many of "
            "one as of the other, in one row, and at least two."
        )
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise RecordError("A measurement is missing or not finite; leave out its pair.")
    return first, second
