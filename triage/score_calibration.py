"""From raw scores to shares that hold: of candidates scored 0.7, about 70 in 100 are objects.

The record of a detector carries the maps, fitted on pictures that it was not trained on: one for pictures of
known scale and one for those without, since a proposal looks at them differently. Maps rise everywhere, so
that the order of candidates stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.errors import WeightsError

KNOWN_SCALE, UNKNOWN_SCALE = "known_scale", "unknown_scale"
_LEAST_TEMPERATURE, _MOST_TEMPERATURE = 0.05, 20.0

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ScoreCalibration:
    """What turns the raw values of one detector into honest ones, for one way of looking.

    Attributes
    ----------
    raw, score : tuple of float
        Raw scores, rising from 0 to 1, and the scores they become; in between it is interpolated.
    group_temperature : float
        Group shares are raised to 1 over this, then made to sum to what they did: above 1 they become less
        sure of themselves.

    References
    ----------
    Temperature: Guo et al. 2017, "On Calibration of Modern Neural Networks" (ICML).
    """

    raw: tuple[float, ...] = (0.0, 1.0)
    score: tuple[float, ...] = (0.0, 1.0)
    group_temperature: float = 1.0

    @property
    def is_plain(self) -> bool:
        """Whether it leaves everything as it is."""
        return self == UNCALIBRATED

    def calibrate_scores(self, scores: Floats) -> Floats:
        """The scores (N,) that raw ones (N,) become; their order stays."""
        if self.raw == self.score:
            return scores
        return np.asarray(np.interp(scores, self.raw, self.score), dtype=np.float64)

    def calibrate_groups(self, shares: Floats) -> Floats:
        """Group shares (..., G) at this temperature; their order and their sum stay."""
        if self.group_temperature == 1:
            return shares
        total = shares.sum(axis=-1, keepdims=True)
        raised = (shares / np.maximum(shares.max(axis=-1, keepdims=True), 1e-12)) ** (
            1 / self.group_temperature
        )
        return np.asarray(raised * total / np.maximum(raised.sum(axis=-1, keepdims=True), 1e-12))


UNCALIBRATED = ScoreCalibration()


def read_score_calibration(values: Mapping[str, Any], *, is_scale_known: bool) -> ScoreCalibration:
    """The calibration in a detector's record for pictures with or without a scale; plain if there is none.

    Parameters
    ----------
    values : mapping
        `score_calibration` of the record: `known_scale` and `unknown_scale`, each with `raw`, `score` and
        `group_temperature`.
    is_scale_known : bool
        Which of them.

    Raises
    ------
    WeightsError
        If a map doesn't rise from 0 to 1, or the temperature is out of range.
    """
    row = values.get(KNOWN_SCALE if is_scale_known else UNKNOWN_SCALE)
    if row is None:
        return UNCALIBRATED
    try:
        calibration = ScoreCalibration(
            tuple(float(value) for value in row["raw"]),
            tuple(float(value) for value in row["score"]),
            float(row.get("group_temperature", 1.0)),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as err:
        raise WeightsError(
            f"The detector's record holds a score calibration that can't be read ({err!r}). Run "
            "training.record_scores again."
        ) from err
    _check(calibration)
    return calibration


def _check(calibration: ScoreCalibration) -> None:
    for name in ("raw", "score"):
        knots = np.array(getattr(calibration, name))
        if len(knots) < 2 or knots[0] != 0 or knots[-1] != 1 or not (np.diff(knots) > 0).all():
            raise WeightsError(
                f"The score calibration's {name} values are {[round(float(one), 4) for one in knots[:6]]}…; "
                "they must rise from 0 to 1. Run training.record_scores again."
            )
    if len(calibration.raw) != len(calibration.score):
        raise WeightsError(
            f"The score calibration has {len(calibration.raw)} raw and {len(calibration.score)} calibrated "
            "scores; there must be as many of each. Run training.record_scores again."
        )
    if not _LEAST_TEMPERATURE <= calibration.group_temperature <= _MOST_TEMPERATURE:
        raise WeightsError(
            f"The score calibration's group temperature is {calibration.group_temperature}; it must be from "
            f"{_LEAST_TEMPERATURE} to {_MOST_TEMPERATURE}. Run training.record_scores again."
        )
