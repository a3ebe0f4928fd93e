from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from training.metrics import calibration_error
from training.reliability import LEAST_FITTED, METHODS, choose_map, draw_reliability, fit_map, fit_temperature
from triage.errors import RecordError
from triage.score_calibration import ScoreCalibration, read_score_calibration

N = 6000


def draw_scores(seed: int, *, a: float, b: float, c: float) -> tuple[np.ndarray, np.ndarray]:
    """Raw scores, and truth whose share is known: logit p = a ln s - b ln(1 - s) + c."""
    random = np.random.default_rng(seed)
    raw = random.beta(0.8, 1.6, N).clip(1e-4, 1 - 1e-4)
    share = 1 / (1 + np.exp(-(a * np.log(raw) - b * np.log(1 - raw) + c)))
    return raw, random.random(N) < share


@pytest.mark.parametrize("method", METHODS)
def test_fitted_map_finds_the_share_it_was_drawn_with(method: str) -> None:
    raw, is_right = draw_scores(1, a=0.6, b=0.6, c=-1.0)
    calibration = ScoreCalibration(*fit_map(raw, is_right, method))
    at = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    assert calibration.calibrate_scores(at) == pytest.approx(
        1 / (1 + np.exp(-(0.6 * np.log(at / (1 - at)) - 1.0))), abs=0.03
    )


def test_error_on_other_pictures_falls_below_3_in_100() -> None:
    raw, is_right = draw_scores(2, a=0.3, b=2.0, c=-0.9)
    method, calibration = choose_map(raw, is_right, np.arange(N) // 20)
    fresh, truth = draw_scores(3, a=0.3, b=2.0, c=-0.9)
    assert method == "beta"
    fresh, truth = fresh[fresh >= LEAST_FITTED], truth[fresh >= LEAST_FITTED]
    assert calibration_error(fresh, truth).error > 0.05
    assert calibration_error(calibration.calibrate_scores(fresh), truth).error < 0.03


def test_specks_far_below_any_cut_do_not_shape_the_map() -> None:
    raw, is_right = draw_scores(6, a=2.0, b=2.0, c=0.0)
    specks = np.random.default_rng(7).uniform(0.0, LEAST_FITTED, 20 * N)
    among = np.concatenate([raw, specks]), np.concatenate([is_right, np.zeros(len(specks), bool)])
    assert fit_map(*among, "platt") == fit_map(raw, is_right, "platt")


def test_low_scores_shape_the_map_where_there_are_few_others() -> None:
    raw = np.linspace(0.0, 0.9 * LEAST_FITTED, 200)
    knots, shares = fit_map(raw, np.arange(200) >= 100, "platt")
    assert ScoreCalibration(knots, shares).calibrate_scores(np.array([LEAST_FITTED]))[0] > 0.5


def test_every_fitted_map_can_be_read_from_a_record() -> None:
    for seed, slope in enumerate((0.0, 0.3, 5.0)):
        raw, is_right = draw_scores(seed, a=slope, b=slope, c=0.0)
        for method in METHODS:
            knots = fit_map(raw, is_right, method)
            values = {"known_scale": {"raw": list(knots[0]), "score": list(knots[1])}}
            read_score_calibration(values, is_scale_known=True)


def test_error_is_that_of_a_worked_example() -> None:
    # By hand, 10 bins: two of 0.15 of which one is right, |1/2 - 0.15| = 0.35; three of 0.82, all right,
    # |1 - 0.82| = 0.18; so 2/5 x 0.35 + 3/5 x 0.18 = 0.248.
    curve = calibration_error(np.array([0.15, 0.15, 0.82, 0.82, 0.82]), np.array([1, 0, 1, 1, 1], bool))
    assert curve.error == pytest.approx(0.248)


def test_error_is_that_of_numpys_own_histograms() -> None:
    raw, is_right = draw_scores(4, a=1.0, b=0.5, c=0.2)
    edges = np.linspace(0, 1, 11)
    counts, _ = np.histogram(raw, edges)
    gaps = np.histogram(raw, edges, weights=is_right - raw)[0]
    assert calibration_error(raw, is_right).error == pytest.approx(np.abs(gaps).sum() / counts.sum())


def test_temperature_undoes_too_much_sureness() -> None:
    random = np.random.default_rng(5)
    logits = random.normal(0, 1.5, (4000, 6))
    honest = np.exp(logits) / np.exp(logits).sum(axis=1, keepdims=True)
    labels = np.array([random.choice(6, p=row) for row in honest])
    too_sure = np.exp(2.5 * logits) / np.exp(2.5 * logits).sum(axis=1, keepdims=True)
    assert fit_temperature(too_sure, labels) == pytest.approx(2.5, rel=0.1)


@pytest.mark.parametrize("n_right", [0, 19, 300])
def test_too_few_of_either_are_refused(n_right: int) -> None:
    with pytest.raises(RecordError, match=f"{n_right} true and {300 - n_right} false candidates"):
        fit_map(np.linspace(0.1, 0.9, 300), np.arange(300) < n_right, "platt")


def test_plot_is_a_picture_with_a_panel_a_curve(tmp_path: Path) -> None:
    raw, is_right = draw_scores(6, a=1.0, b=1.0, c=0.0)
    curve = calibration_error(raw, is_right)
    widths = []
    for n_panels in (1, 2):
        draw_reliability(tmp_path / "r.png", {str(number): curve for number in range(n_panels)})
        with Image.open(tmp_path / "r.png") as picture:
            widths.append(picture.width)
    assert widths[1] > 1.8 * widths[0]
