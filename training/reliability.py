"""Fits what makes scores shares that hold, measures how well they do, and draws it.

References
----------
Platt 1999, "Probabilistic outputs for support vector machines" (a logistic of the score, here of its logit);
Kull, Silva Filho & Flach 2017, "Beta calibration" (AISTATS): logit p = a ln s - b ln(1 - s) + c;
Guo et al. 2017, "On Calibration of Modern Neural Networks" (ICML): temperature, expected calibration error.
All from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar

from training.metrics import CalibrationError, calibration_error, wilson_interval
from triage.errors import RecordError
from triage.score_calibration import ScoreCalibration

METHODS = ("platt", "beta")
LEAST_OF_EACH = 20
"""True and false candidates that a map is fitted on; fewer say too little (our choice)."""
LEAST_FITTED = 0.2
"""Raw scores below it don't decide a map where there are enough above: specks by the thousand, far below any
cut, would shape it for themselves (on drawn pictures the calibration error was 0.04 instead of 0.03)."""
_KNOT_LOGITS = np.linspace(-6.0, 6.0, 41)
_LEAST_SLOPE = 0.02
_SHRINKAGE = 1e-3
_SEED = 7

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def fit_map(raw: Floats, is_right: Bools, method: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Knots of the rising map from raw scores to shares that are right.

    Parameters
    ----------
    raw : ndarray of shape (N,)
        Scores between 0 and 1.
    is_right : ndarray of shape (N,), bool
    method : str
        One of `METHODS`.

    Raises
    ------
    RecordError
        If there are fewer than `LEAST_OF_EACH` right or wrong ones.
    """
    shown = _pick_shown(raw, is_right)
    raw, is_right = raw[shown], is_right[shown]
    n_right = int(is_right.sum())
    if min(n_right, len(is_right) - n_right) < LEAST_OF_EACH:
        raise RecordError(
            f"There are {n_right} true and {len(is_right) - n_right} false candidates to calibrate on; "
            f"at least {LEAST_OF_EACH} of each are needed. Add marked pictures."
        )
    design = _design(raw, method)
    signs = np.where(is_right, 1.0, -1.0)

    def loss(weights: Floats) -> tuple[float, Floats]:
        margins = signs * (design @ weights)
        pull = -signs / (1 + np.exp(np.clip(margins, -50, 50))) / len(signs)
        return (
            float(np.logaddexp(0, -margins).mean() + _SHRINKAGE * ((weights[:-1] - 1) ** 2).sum()),
            np.asarray(design.T @ pull + np.append(2 * _SHRINKAGE * (weights[:-1] - 1), 0.0)),
        )

    start = np.append(np.ones(design.shape[1] - 1), 0.0)
    bounds = [(_LEAST_SLOPE, None)] * (len(start) - 1) + [(None, None)]
    weights = minimize(loss, start, jac=True, bounds=bounds, method="L-BFGS-B").x
    knots = 1 / (1 + np.exp(-_KNOT_LOGITS))
    values = 1 / (1 + np.exp(-np.clip(_design(knots, method) @ weights, -13.0, 13.0)))
    return _to_knots(knots, values)


def _pick_shown(raw: Floats, is_right: Bools) -> Bools:
    """Those above `LEAST_FITTED`, or all where too few of them are right or wrong."""
    shown = raw >= LEAST_FITTED
    n_right = int(is_right[shown].sum())
    return shown if min(n_right, int(shown.sum()) - n_right) >= LEAST_OF_EACH else np.ones_like(shown)


def _design(raw: Floats, method: str) -> Floats:
    """What the logit of the share is linear in; the last column is the constant."""
    inside = np.clip(raw, 1e-6, 1 - 1e-6)
    high, low, one = np.log(inside), -np.log1p(-inside), np.ones_like(inside)
    if method == "platt":
        return np.stack([high + low, one], axis=1)
    if method == "beta":
        return np.stack([high, low, one], axis=1)
    raise ValueError(f"method must be one of {METHODS}, received {method!r}")


def _to_knots(raw: Floats, score: Floats) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Both from 0 to 1, rounded for the record, knots that rounding made equal left out."""
    pairs = [(0.0, 0.0)]
    for x, y in zip(np.round(raw, 6).tolist(), np.round(score, 6).tolist(), strict=True):
        if x > pairs[-1][0] and y > pairs[-1][1] and x < 1 and y < 1:
            pairs.append((x, y))
    pairs.append((1.0, 1.0))
    return tuple(x for x, _ in pairs), tuple(y for _, y in pairs)


def choose_map(raw: Floats, is_right: Bools, picture: NDArray[np.int64]) -> tuple[str, ScoreCalibration]:
    """The method whose maps hold best on pictures left out, and its map fitted on all.

    Parameters
    ----------
    raw : ndarray of shape (N,)
    is_right : ndarray of shape (N,), bool
    picture : ndarray of shape (N,), int64
        Which picture (or specimen) each candidate lies in; one never stands on both sides.
    """
    side = np.random.default_rng(_SEED).integers(0, 2, int(picture.max(initial=0)) + 1)[picture]
    errors = {method: _error_left_out(raw, is_right, side, method) for method in METHODS}
    best = min(METHODS, key=lambda method: errors[method])
    return best, ScoreCalibration(*fit_map(raw, is_right, best))


def _error_left_out(raw: Floats, is_right: Bools, side: NDArray[np.int64], method: str) -> float:
    """Calibration error of maps fitted on the other half; infinite where a half is too small to say."""
    honest = np.zeros_like(raw)
    for half in (0, 1):
        fitted = side != half
        n_right = int(is_right[fitted].sum())
        if min(n_right, int(fitted.sum()) - n_right) < LEAST_OF_EACH:
            return float("inf")
        calibration = ScoreCalibration(*fit_map(raw[fitted], is_right[fitted], method))
        honest[~fitted] = calibration.calibrate_scores(raw[~fitted])
    shown = _pick_shown(raw, is_right)
    return calibration_error(honest[shown], is_right[shown]).error


def fit_temperature(shares: Floats, labels: NDArray[np.int64]) -> float:
    """The temperature at which group shares make the true groups likeliest.

    Parameters
    ----------
    shares : ndarray of shape (N, G)
        Of found objects.
    labels : ndarray of shape (N,), int64
        Column of each one's own group.

    Raises
    ------
    RecordError
        If there are fewer than `LEAST_OF_EACH` objects.
    """
    if len(labels) < LEAST_OF_EACH:
        raise RecordError(
            f"There are {len(labels)} found objects to calibrate the groups on; at least {LEAST_OF_EACH} are "
            "needed. Add marked pictures."
        )
    # A share of 0 would outweigh all others.
    logs = np.log(np.maximum(shares, 1e-8))

    def loss(log_temperature: float) -> float:
        heated = logs / np.exp(log_temperature)
        heated = heated - np.logaddexp.reduce(heated, axis=1, keepdims=True)
        return float(-heated[np.arange(len(labels)), labels].mean())

    return round(float(np.exp(minimize_scalar(loss, bounds=(-1.6, 1.6), method="bounded").x)), 4)


def draw_reliability(path: Path, curves: Mapping[str, CalibrationError]) -> None:
    """Write a PNG: share right against mean score, with 95 % Wilson intervals, one panel a curve."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(
        1, max(len(curves), 1), figsize=(3.6 * max(len(curves), 1), 3.9), squeeze=False
    )
    for axis, (name, curve) in zip(axes[0], curves.items(), strict=False):
        _draw_panel(axis, name, curve)
    axes[0][0].set_ylabel("share that is right")
    figure.tight_layout()
    figure.savefig(path, dpi=110, metadata={"Software": None})
    pyplot.close(figure)


def _draw_panel(axis: object, name: str, curve: CalibrationError) -> None:
    filled = curve.counts > 0
    scores, shares, counts = curve.mean_scores[filled], curve.shares_right[filled], curve.counts[filled]
    ends = np.array(
        [wilson_interval(round(share * n), int(n)) for share, n in zip(shares, counts, strict=True)]
    ).reshape(-1, 2)
    bars = np.abs(ends.T - shares)
    axis.plot([0, 1], [0, 1], color="0.7", linewidth=1)  # type: ignore[attr-defined]
    axis.errorbar(scores, shares, yerr=bars, fmt="o-", color="#1f5a7a", markersize=4, capsize=2)  # type: ignore[attr-defined]
    for score, share, n in zip(scores, shares, counts, strict=True):
        below = share > 0.85
        axis.annotate(  # type: ignore[attr-defined]
            str(n),
            (score, share),
            textcoords="offset points",
            xytext=(5, -11 if below else 6),
            fontsize=7,
            color="0.35",
        )
    axis.set(xlim=(0, 1), ylim=(0, 1.02), xlabel="score", aspect="equal")  # type: ignore[attr-defined]
    axis.set_title(f"{name}\nerror {curve.error:.3f}, {int(curve.counts.sum())} in all", fontsize=9)  # type: ignore[attr-defined]


def summarise_reliability(curve: CalibrationError) -> dict[str, object]:
    """The figures of a curve as the record holds them."""
    return {
        "error": round(curve.error, 4),
        "n": int(curve.counts.sum()),
        "bins": [
            {"n": int(n), "mean_score": round(float(score), 4), "share_right": round(float(share), 4)}
            for n, score, share in zip(curve.counts, curve.mean_scores, curve.shares_right, strict=True)
        ],
    }


def join_curves(scores: Sequence[Floats], is_right: Sequence[Bools]) -> CalibrationError:
    """The curve of several sets together."""
    return calibration_error(
        np.concatenate([np.zeros(0), *scores]), np.concatenate([np.zeros(0, bool), *is_right])
    )
