from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.calibration import Calibration
from triage.errors import WeightsError
from triage.pipeline import propose_candidates
from triage.score_calibration import UNCALIBRATED, ScoreCalibration, read_score_calibration

KNOWN = Calibration(1.0, 0.01, "stage micrometer")
ROW: dict[str, Any] = {"raw": [0.0, 0.4, 1.0], "score": [0.0, 0.1, 1.0], "group_temperature": 2.0}


def test_scores_between_knots_lie_on_the_line_between_them() -> None:
    calibration = read_score_calibration({"known_scale": ROW}, is_scale_known=True)
    assert calibration.calibrate_scores(np.array([0.0, 0.2, 0.4, 0.7, 1.0])) == pytest.approx(
        [0.0, 0.05, 0.1, 0.55, 1.0]
    )


def test_each_way_of_looking_has_its_own_map() -> None:
    values = {"known_scale": ROW}
    assert read_score_calibration(values, is_scale_known=False) is UNCALIBRATED
    assert not read_score_calibration(values, is_scale_known=True).is_plain


def test_temperature_2_takes_the_square_root_of_odds() -> None:
    calibration = ScoreCalibration(group_temperature=2.0)
    shares = calibration.calibrate_groups(np.array([[0.8, 0.2, 0.0]]))
    assert shares[0, 0] / shares[0, 1] == pytest.approx(2.0)
    assert shares.sum() == pytest.approx(1.0)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=20))
def test_order_of_scores_stays(scores: list[float]) -> None:
    calibration = read_score_calibration({"known_scale": ROW}, is_scale_known=True)
    raw = np.sort(np.array(scores))
    assert (np.diff(calibration.calibrate_scores(raw)) >= 0).all()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"score": [0.0, 0.2, 0.2, 1.0], "raw": [0.0, 0.1, 0.2, 1.0]}, "score values are .* must rise"),
        ({"raw": [0.1, 0.4, 1.0]}, "raw values are .* must rise from 0 to 1"),
        ({"raw": [0.0, 1.0]}, "2 raw and 3 calibrated"),
        ({"group_temperature": 0.0}, "temperature is 0.0; it must be from 0.05"),
        ({"raw": "abc"}, "can't be read"),
    ],
)
def test_broken_maps_are_refused(change: dict[str, Any], said: str) -> None:
    with pytest.raises(WeightsError, match=said):
        read_score_calibration({"known_scale": {**ROW, **change}}, is_scale_known=True)


def test_proposals_show_calibrated_scores_in_the_same_order(
    draw: Any, open_array: Any, blob_detector: Any
) -> None:
    picture = open_array(
        draw((500, 700), [(130.0, 140.0, 80.0, 36.0, 30.0), (400.0, 300.0, 60.0, 50.0, 0.0)])
    )
    blob_detector.record = SimpleNamespace(default_cut=0.01)
    raw = propose_candidates(picture, KNOWN, blob_detector).candidates
    blob_detector.record = SimpleNamespace(default_cut=0.01, score_calibration={"known_scale": ROW})
    honest = propose_candidates(picture, KNOWN, blob_detector).candidates
    unscaled = propose_candidates(picture, None, blob_detector).candidates
    assert [one.bbox_xywh for one in honest] == [one.bbox_xywh for one in raw]
    expected = np.interp([one.score for one in raw], ROW["raw"], ROW["score"])
    assert [one.score for one in honest] == pytest.approx(expected, abs=1e-3)
    assert {one.score for one in honest}.isdisjoint(one.score for one in unscaled)
    assert max(honest[0].group_scores.values()) < max(raw[0].group_scores.values())
