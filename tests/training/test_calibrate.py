from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from training.calibrate import check_scores, fit_calibration, measure_local_gain, refit_calibration
from training.dataset import MarkedPicture
from training.evaluate import Judged
from training.metrics import FALSE, FOUND, Matches, PictureTruth, calibration_error
from training.own_calibration import calibrate_judged, fit_own, tell_own
from triage.errors import RecordError
from triage.groups import candidate_groups, look_alikes
from triage.records import Candidate, SizeCheck
from triage.score_calibration import read_score_calibration
from triage.weights import WeightsRecord

PLAIN = WeightsRecord("any", ("oocyst",), 0.5, 512, 0.5, {}, {})


def draw_judged(seed: int, *, n: int = 100, um_per_px: float | None = 0.5) -> list[Judged]:
    """Pictures of 20 candidates whose raw score s is right in s² of the cases; oocysts, said to be so at 0.9
    but right in 0.7 of the cases."""
    random = np.random.default_rng(seed)
    judged = []
    for number in range(n):
        scores = np.sort(random.uniform(0.1, 1, 20))[::-1].round(4)
        is_right = random.random(20) < scores**2
        candidates = tuple(
            draw_candidate(float(score), "oocyst" if random.random() < 0.7 else "giardia_cyst")
            for score in scores
        )
        found = np.flatnonzero(is_right)
        objects = np.full(20, -1)
        objects[found] = np.arange(len(found))
        truth = PictureTruth.of(np.zeros((len(found), 4)), ["oocyst"] * len(found))
        matches = Matches(scores, np.where(is_right, FOUND, FALSE), objects, len(found))
        marked = MarkedPicture(number, Path(f"{number}.png"), um_per_px, str(number), (), ())
        judged.append(Judged(marked, truth, candidates, matches))
    return judged


def draw_candidate(score: float, group: str) -> Candidate:
    shares = dict.fromkeys([*candidate_groups(), *look_alikes()], 0.0)
    other = "giardia_cyst" if group == "oocyst" else "oocyst"
    shares |= {group: 0.9, other: 0.1}
    return Candidate(
        rank=1,
        bbox_xywh=(0, 0, 1, 1),
        score=score,
        group=group,
        group_scores={name: shares[name] for name in candidate_groups()},
        look_alike_scores={name: shares[name] for name in look_alikes()},
        ellipse=None,
        length_um=None,
        width_um=None,
        length_um_sd=None,
        width_um_sd=None,
        size_check=SizeCheck("no calibration"),
        reasons=(),
    )


def test_fitted_calibration_finds_how_often_scores_are_right() -> None:
    values = {"known_scale": fit_calibration(draw_judged(1))}
    calibration = read_score_calibration(values, is_scale_known=True)
    at = np.array([0.3, 0.5, 0.7, 0.9])
    assert calibration.calibrate_scores(at) == pytest.approx(at**2, abs=0.05)
    # Odds of 9 to 1 that hold in 0.7 are right at ln 9 / ln (0.7 / 0.3) times less sureness.
    assert values["known_scale"]["group_temperature"] == pytest.approx(np.log(9) / np.log(7 / 3), rel=0.15)


def test_scores_are_checked_among_candidates_that_a_reader_can_reach() -> None:
    judged = draw_judged(2)
    everywhere = np.concatenate([one.matches.scores for one in judged])
    right = np.concatenate([one.matches.verdicts == FOUND for one in judged])
    checked = check_scores(judged, default_cut=0.6)
    assert checked.scores.error == pytest.approx(
        calibration_error(everywhere[everywhere >= 0.2], right[everywhere >= 0.2]).error
    )
    assert checked.groups.error == pytest.approx(0.2, abs=0.04)
    assert checked.to_figures()["groups"]["n"] == right.sum()


def test_refitting_keeps_the_same_candidates_above_the_cut() -> None:
    judged = draw_judged(3)
    values, cut = refit_calibration(PLAIN, judged, name="ours")
    calibration = read_score_calibration(values, is_scale_known=True)
    scores = np.linspace(0.1, 0.999, 200)
    assert ((calibration.calibrate_scores(scores) >= cut) == (scores >= PLAIN.default_cut)).all()
    assert values["fitted_on"] == ["ours"] and "unknown_scale" not in values


def test_refitting_on_pictures_without_scale_leaves_the_map_for_those_with() -> None:
    values, _ = refit_calibration(PLAIN, draw_judged(4, um_per_px=None), name="ours")
    assert set(values) == {"unknown_scale", "fitted_on"}


def test_local_gain_is_measured_on_pictures_left_out() -> None:
    gain = measure_local_gain(PLAIN, draw_judged(5))
    assert gain["error_before"] > 0.1 > 0.03 > gain["error_left_out"]


def test_a_set_too_small_is_refused() -> None:
    with pytest.raises(RecordError, match=r"true and .* false candidates to calibrate on"):
        refit_calibration(PLAIN, draw_judged(6, n=1), name="ours")


def test_adapted_detector_gets_a_calibration_of_its_own() -> None:
    """Right as often as the square of the score; on other pictures the fitted ones hold."""
    values = fit_own(draw_judged(7), name="100 held-out pictures")
    calibration = read_score_calibration(values, is_scale_known=True)
    assert calibration.calibrate_scores(np.array([0.5, 0.7])) == pytest.approx([0.25, 0.49], abs=0.05)
    # One cut is for both ways: the one without pictures takes the other's map.
    assert read_score_calibration(values, is_scale_known=False) == calibration
    assert values["unknown_scale"]["taken_from"] == "known_scale" and not calibration.is_plain
    (one, *_) = draw_judged(8)
    exact = np.linspace(0.999, 0.05, len(one.matches.scores))
    rounded = dataclasses.replace(one, matches=dataclasses.replace(one.matches, scores=exact.round(4)))
    said = calibrate_judged(rounded, values).matches.scores
    assert said == pytest.approx(calibration.calibrate_scores(exact), abs=1e-3)
    assert (said <= calibration.calibrate_scores(exact)).all()
    assert tell_own(values).startswith("Scores calibrated on ")


def test_adapted_detector_with_too_few_marks_keeps_raw_scores_and_says_why() -> None:
    values = fit_own(draw_judged(9, n=1), name="1 held-out picture")
    assert read_score_calibration(values, is_scale_known=True).is_plain and not values["fitted_on"]
    assert "at least 20 of each are needed" in tell_own(values)
