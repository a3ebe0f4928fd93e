"""A calibration of its own for an adapted detector, from pictures that it never learnt.

Scores move with an adaptation, so the maps of the detector before say nothing of the new ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from training.calibrate import fit_sigmoid, gather_evidence, way_of
from training.evaluate import Judged
from training.reliability import LEAST_OF_EACH, fit_temperature
from triage.errors import RecordError
from triage.rank import SCORE_DECIMALS
from triage.score_calibration import (
    KNOWN_SCALE,
    UNKNOWN_SCALE,
    read_score_calibration,
)

WAYS = (KNOWN_SCALE, UNKNOWN_SCALE)


def fit_own(judged: Sequence[Judged], *, name: str) -> dict[str, Any]:
    """The calibration of an adapted detector; none, with the reason, where there is too little to fit it on.

    Parameters
    ----------
    judged : sequence of Judged
        Pictures that it never learnt, by the detector without a calibration.
    name : str
        Of the pictures.

    Returns
    -------
    values : dict
        As the record holds it. Where pictures of one way of looking are too few, it takes the map of the
        other (`taken_from`), since one cut is for both; where both are, scores stay raw and `not_fitted`
        says why.
    """
    fitted, why = {}, {}
    for way in WAYS:
        try:
            fitted[way] = _fit([one for one in judged if way_of(one) == way])
        except RecordError as err:
            why[way] = str(err)
    if not fitted:
        most = max(WAYS, key=lambda way: sum(way_of(one) == way for one in judged))
        return {"fitted_on": [], "not_fitted": why[most]}
    other = next(iter(fitted))
    taken = {way: {**fitted[other], "taken_from": other} for way in WAYS if way not in fitted}
    return {**fitted, **taken, "fitted_on": [name]}


def _fit(judged: Sequence[Judged]) -> dict[str, Any]:
    evidence = gather_evidence(judged)
    is_enough = len(evidence.labels) >= LEAST_OF_EACH
    return fit_sigmoid(evidence, fit_temperature(evidence.shares, evidence.labels) if is_enough else 1.0)


def calibrate_judged(one: Judged, values: dict[str, Any]) -> Judged:
    """A picture judged by a detector without a calibration, its matches with the scores of `values`.

    Judged scores are rounded, which a map may widen: the least that each can have been is taken, so that what
    stands above a cut here stands above it in a proposal.
    """
    calibration = read_score_calibration(values, is_scale_known=way_of(one) == KNOWN_SCALE)
    least = np.maximum(one.matches.scores - 0.5 * 10.0**-SCORE_DECIMALS, 0.0)
    scores = one.matches.scores if calibration.is_plain else calibration.calibrate_scores(least)
    return replace(one, matches=replace(one.matches, scores=scores))


def tell_own(values: dict[str, Any]) -> str:
    """What `fit_own` came to, in words."""
    if not values["fitted_on"]:
        return f"Scores are not calibrated. {values['not_fitted']}"
    own = [values[way]["candidates"] for way in WAYS if "taken_from" not in values[way]]
    return f"Scores calibrated on {sum(own)} candidates of {values['fitted_on'][0]}."
