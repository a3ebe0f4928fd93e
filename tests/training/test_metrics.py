from __future__ import annotations

import numpy as np
import pytest

from training.metrics import (
    FALSE,
    FOUND,
    NEITHER,
    Matches,
    PictureTruth,
    calibration_error,
    free_response,
    match_candidates,
    poisson_interval,
    wilson_interval,
)

EGG = np.array([[10.0, 10.0, 50.0, 50.0]])


def boxes(*rows: tuple[float, float, float, float]) -> np.ndarray:
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def falling(n: int) -> np.ndarray:
    return np.linspace(0.9, 0.1, n)


@pytest.mark.parametrize(
    ("n_right", "n", "low", "high"),
    # Newcombe 1998, Stat Med 17:857-872, table I, method 3.
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
        (0, 10, 0.0000, 0.2775),
        (10, 10, 0.7225, 1.0000),
    ],
)
def test_wilson_interval_equals_published_values(n_right: int, n: int, low: float, high: float) -> None:
    assert wilson_interval(n_right, n) == pytest.approx((low, high), abs=5e-5)


def test_wilson_interval_of_nothing_tried_is_everything() -> None:
    assert wilson_interval(0, 0) == (0.0, 1.0)


def test_match_finds_an_object_once_and_counts_the_second_candidate_as_false() -> None:
    match = match_candidates(boxes(*EGG, (11, 11, 51, 51)), falling(2), PictureTruth.of(EGG))
    assert match.verdicts.tolist() == [FOUND, FALSE]
    assert match.objects.tolist() == [0, -1]


def test_match_needs_half_the_union() -> None:
    # 40 x 40 boxes shifted by 13 px share 27 x 40 of 53 x 40: 0.509; by 14 px: 0.481.
    near, far = (23.0, 10.0, 63.0, 50.0), (24.0, 10.0, 64.0, 50.0)
    assert match_candidates(boxes(near), falling(1), PictureTruth.of(EGG)).verdicts.tolist() == [FOUND]
    assert match_candidates(boxes(far), falling(1), PictureTruth.of(EGG)).verdicts.tolist() == [FALSE]


def test_match_gives_a_better_candidate_the_object() -> None:
    loose, exact = (10.0, 10.0, 50.0, 35.0), (10.0, 10.0, 50.0, 50.0)
    truth = PictureTruth.of(boxes(exact, (10, 60, 50, 85)))
    match = match_candidates(boxes(exact, loose, (10, 60, 50, 85)), falling(3), truth)
    assert match.verdicts.tolist() == [FOUND, FALSE, FOUND]
    assert match.objects.tolist() == [0, -1, 1]


def test_candidate_in_an_ignored_region_counts_neither_way() -> None:
    truth = PictureTruth.of(boxes(), ignored_xyxy=boxes((0, 0, 100, 40)))
    match = match_candidates(boxes((10, 10, 30, 30), (10, 30, 30, 60)), falling(2), truth)
    assert match.verdicts.tolist() == [NEITHER, FALSE]


def test_candidate_that_fits_an_ignored_object_counts_neither_way() -> None:
    truth = PictureTruth.of(boxes(), ignored_xyxy=boxes((10, 10, 40, 40)))
    # 40 x 40 around 30 x 30: less than 57 % of it is covered, but the union is.
    assert match_candidates(boxes((5, 5, 45, 45)), falling(1), truth).verdicts.tolist() == [NEITHER]


def test_alternative_boxes_find_the_object_and_the_second_half_counts_neither_way() -> None:
    halves = boxes((10, 10, 50, 30), (10, 30, 50, 50))
    truth = PictureTruth(EGG, ("oocyst",), (halves,), boxes())
    assert match_candidates(halves, falling(2), truth).verdicts.tolist() == [FOUND, NEITHER]
    assert match_candidates(EGG, falling(1), truth).verdicts.tolist() == [FOUND]


def test_match_takes_zero_candidates_and_zero_objects() -> None:
    match = match_candidates(boxes(), np.zeros(0), PictureTruth.of(boxes()))
    assert match.verdicts.shape == (0,) and match.n_objects == 0


def worked_example() -> list[Matches]:
    """4 pictures, 5 objects, marks .95 h, .90 h, .80 f, .70 h, .60 f, .50 f, .40 h, .30 f."""
    verdicts = np.array([FOUND, FOUND, FALSE, FOUND, FALSE, FALSE, FOUND, FALSE])
    scores = np.array([0.95, 0.90, 0.80, 0.70, 0.60, 0.50, 0.40, 0.30])
    parts = [(slice(0, 3), 2), (slice(3, 5), 1), (slice(5, 8), 2), (slice(8, 8), 0)]
    return [Matches(scores[part], verdicts[part], verdicts[part], n) for part, n in parts]


def test_free_response_equals_the_worked_example() -> None:
    # Worked by hand from the definition on D. P. Chakraborty's page: marks on lesions over lesions, marks
    # off lesions over images.
    curve = free_response(worked_example())
    at = dict(zip(curve.thresholds.round(2).tolist(), range(8), strict=True))
    assert (curve.recall[at[0.7]], curve.false_per_picture[at[0.7]]) == (3 / 5, 1 / 4)
    assert (curve.recall[at[0.3]], curve.false_per_picture[at[0.3]]) == (4 / 5, 4 / 4)


def test_recall_is_read_at_no_more_than_the_allowed_rate() -> None:
    curve = free_response(worked_example())
    assert [curve.recall_at(rate) for rate in (0.1, 0.25, 0.5, 1.0)] == [2 / 5, 3 / 5, 3 / 5, 4 / 5]
    assert curve.cut_for(0.6) == 0.7 and curve.cut_for(0.81) is None
    assert (curve.recall_from(0.55), curve.false_at(0.55)) == (3 / 5, 2 / 4)


def test_candidates_of_equal_score_come_together() -> None:
    scores = np.array([0.5, 0.5])
    matches = [Matches(scores, np.array([FOUND, FALSE]), np.array([0, -1]), 1)]
    curve = free_response(matches)
    assert curve.thresholds.tolist() == [0.5]
    assert curve.recall_at(0.5) == 0.0 and curve.recall_at(1.0) == 1.0


def test_free_response_of_nothing_is_empty() -> None:
    curve = free_response([])
    assert curve.recall_at(1.0) == 0.0 and curve.thresholds.shape == (0,)


def test_calibration_error_equals_the_worked_example() -> None:
    # Worked by hand from Guo et al. 2017: half the scores are 0.2 too high, the other half right.
    scores = np.array([0.9] * 10 + [0.6] * 10)
    is_right = np.array([True] * 7 + [False] * 3 + [True] * 6 + [False] * 4)
    result = calibration_error(scores, is_right, n_bins=10)
    assert result.error == pytest.approx(0.10)
    assert result.counts[[6, 9]].tolist() == [10, 10]


def test_calibration_error_takes_a_score_of_one() -> None:
    assert calibration_error(np.ones(4), np.ones(4, dtype=bool)).error == 0.0


# Garwood's exact limits as printed in tables of the Poisson distribution (from memory): 0 gives 3.69,
# 1 gives 0.0253 to 5.57, 10 gives 4.80 to 18.39.
@pytest.mark.parametrize(("n", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.39)])
def test_poisson_interval_is_garwoods(n: int, low: float, high: float) -> None:
    assert poisson_interval(n) == pytest.approx((low, high), rel=1e-3)
