"""Calibrations out of judged pictures: fitted, checked on others, and fitted again at a hospital."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.evaluate import Judged
from training.metrics import FOUND, NEITHER, CalibrationError, calibration_error
from training.reliability import choose_map, fit_map, fit_temperature, summarise_reliability
from triage.errors import RecordError
from triage.groups import read_groups
from triage.score_calibration import (
    KNOWN_SCALE,
    UNKNOWN_SCALE,
    ScoreCalibration,
    read_score_calibration,
)
from triage.weights import WeightsRecord

LISTED_SHARE = 1 / 3
"""Scores are checked among the candidates that a reader can reach: from this share of the cut up."""
_SEED = 11

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Evidence:
    """Candidates of judged pictures, right or wrong, and the groups of those that found an object."""

    scores: Floats
    is_right: NDArray[np.bool_]
    picture: NDArray[np.int64]
    shares: Floats
    labels: NDArray[np.int64]
    is_candidate_share: Floats

    def take(self, chosen: NDArray[np.bool_]) -> Evidence:
        """The chosen candidates; groups stay whole."""
        return Evidence(
            self.scores[chosen],
            self.is_right[chosen],
            self.picture[chosen],
            self.shares,
            self.labels,
            self.is_candidate_share,
        )


def gather_evidence(judged: Sequence[Judged]) -> Evidence:
    """The candidates of judged pictures that count one way or the other."""
    names = [group.name for group in read_groups()]
    specimens = {name: number for number, name in enumerate({one.marked.specimen: None for one in judged})}
    scores, is_right, picture, shares, labels = [], [], [], [], []
    for one in judged:
        for row, (candidate, verdict) in enumerate(zip(one.candidates, one.matches.verdicts, strict=True)):
            if verdict == NEITHER:
                continue
            scores.append(candidate.score)
            is_right.append(verdict == FOUND)
            picture.append(specimens[one.marked.specimen])
            if verdict == FOUND:
                all_shares = {**candidate.group_scores, **candidate.look_alike_scores}
                shares.append([all_shares[name] for name in names])
                labels.append(names.index(one.truth.groups[one.matches.objects[row]]))
    is_candidate = np.array([group.kind == "candidate" for group in read_groups()], dtype=np.float64)
    return Evidence(
        np.array(scores, dtype=np.float64),
        np.array(is_right, dtype=bool),
        np.array(picture, dtype=np.int64),
        np.array(shares, dtype=np.float64).reshape(-1, len(names)),
        np.array(labels, dtype=np.int64),
        is_candidate,
    )


def fit_calibration(judged: Sequence[Judged]) -> dict[str, Any]:
    """The calibration of one way of looking, as the record holds it.

    Parameters
    ----------
    judged : sequence of Judged
        By the detector without a calibration.

    Raises
    ------
    RecordError
        If there are too few true or false candidates.
    """
    evidence = gather_evidence(judged)
    method, calibration = choose_map(evidence.scores, evidence.is_right, evidence.picture)
    return {
        "method": method,
        "candidates": len(evidence.scores),
        "pictures": len(judged),
        "raw": list(calibration.raw),
        "score": list(calibration.score),
        "group_temperature": fit_temperature(evidence.shares, evidence.labels),
    }


@dataclass(frozen=True)
class CheckedScores:
    """How well scores hold, and how well the share of the best group does among found objects."""

    scores: CalibrationError
    groups: CalibrationError

    def to_figures(self) -> dict[str, Any]:
        """As the record holds them."""
        return {"scores": summarise_reliability(self.scores), "groups": summarise_reliability(self.groups)}


def check_scores(judged: Sequence[Judged], default_cut: float) -> CheckedScores:
    """How well the scores of judged pictures hold.

    Parameters
    ----------
    judged : sequence of Judged
        By the calibrated detector.
    default_cut : float
        Scores below `LISTED_SHARE` of it are left out: they would make the figure look better than the
        candidates that anybody sees.
    """
    evidence = gather_evidence(judged)
    listed = evidence.take(evidence.scores >= LISTED_SHARE * default_cut)
    best = (evidence.shares * evidence.is_candidate_share).argmax(axis=1)
    sureness = evidence.shares[np.arange(len(best)), best]
    return CheckedScores(
        scores=calibration_error(listed.scores, listed.is_right),
        groups=calibration_error(sureness, best == evidence.labels),
    )


def refit_calibration(
    record: WeightsRecord, judged: Sequence[Judged], *, name: str
) -> tuple[dict[str, Any], float]:
    """The record's calibration fitted again on a labelled set, and the cut that keeps the same candidates.

    Parameters
    ----------
    record : WeightsRecord
    judged : sequence of Judged
        By the detector without a calibration.
    name : str
        Of the set.

    Raises
    ------
    RecordError
        If there are too few true or false candidates.
    """
    values = dict(record.score_calibration)
    for way in {way_of(one) for one in judged}:
        evidence = gather_evidence([one for one in judged if way_of(one) == way])
        old = read_score_calibration(record.score_calibration, is_scale_known=way == KNOWN_SCALE)
        values[way] = fit_sigmoid(evidence, old.group_temperature)
    main_way = KNOWN_SCALE if any(way_of(one) == KNOWN_SCALE for one in judged) else UNKNOWN_SCALE
    is_known = main_way == KNOWN_SCALE
    before = read_score_calibration(record.score_calibration, is_scale_known=is_known)
    after = read_score_calibration(values, is_scale_known=is_known)
    raw_cut = np.interp(record.default_cut, before.score, before.raw)
    return {**values, "fitted_on": [name]}, float(after.calibrate_scores(np.array([raw_cut]))[0])


def fit_sigmoid(evidence: Evidence, group_temperature: float) -> dict[str, Any]:
    """The map for few candidates, as the record holds it, beside a temperature for the groups' shares.

    Raises
    ------
    RecordError
        If there are too few true or false candidates.
    """
    raw, score = fit_map(evidence.scores, evidence.is_right, "platt")
    return {
        "method": "platt",
        "candidates": len(evidence.scores),
        "raw": list(raw),
        "score": list(score),
        "group_temperature": group_temperature,
    }


def way_of(one: Judged) -> str:
    """How a picture is looked at: with or without a scale."""
    return UNKNOWN_SCALE if one.marked.um_per_px is None else KNOWN_SCALE


def measure_local_gain(record: WeightsRecord, judged: Sequence[Judged]) -> dict[str, Any]:
    """Calibration error of a labelled set before and after, the latter on specimens left out of the fit.

    Raises
    ------
    RecordError
        If there are too few true or false candidates in a half.
    """
    before, after, is_right = [], [], []
    for way in sorted({way_of(one) for one in judged}):
        evidence = gather_evidence([one for one in judged if way_of(one) == way])
        old = read_score_calibration(record.score_calibration, is_scale_known=way == KNOWN_SCALE)
        n_specimens = int(evidence.picture.max(initial=0)) + 1
        side = np.random.default_rng(_SEED).permutation(n_specimens)[evidence.picture] % 2
        for half in (0, 1):
            out = side == half
            try:
                calibration = ScoreCalibration(
                    *fit_map(evidence.scores[~out], evidence.is_right[~out], "platt")
                )
            except RecordError:
                return {"error_before": None, "error_left_out": None, "candidates": len(evidence.scores)}
            before.append(old.calibrate_scores(evidence.scores[out]))
            after.append(calibration.calibrate_scores(evidence.scores[out]))
            is_right.append(evidence.is_right[out])
    right = np.concatenate(is_right)
    return {
        "error_before": round(calibration_error(np.concatenate(before), right).error, 4),
        "error_left_out": round(calibration_error(np.concatenate(after), right).error, 4),
        "candidates": len(right),
    }
