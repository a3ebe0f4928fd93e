from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import bootstrap, norm

from training.bootstrap import (
    bootstrap_interval,
    compare_paired,
    draw_specimens,
    share_of_first,
    total_by_specimen,
)


def test_draws_take_as_many_specimens_as_there_are_and_the_same_each_time() -> None:
    times = draw_specimens(7, n_draws=50)
    assert times.shape == (50, 7) and (times.sum(axis=1) == 7).all()
    assert (times == draw_specimens(7, n_draws=50)).all() and (times.max(axis=0) > 1).all()


def test_totals_are_those_of_each_specimen() -> None:
    totals = total_by_specimen(["b", "a", "b"], [1, 2, 4], [10, 20, 40])
    assert totals.tolist() == [[2, 20], [5, 50]]


def test_interval_of_a_ratio_equals_scipys() -> None:
    """`scipy.stats.bootstrap`, method percentile, pairs drawn together."""
    random = np.random.default_rng(4)
    of = random.integers(1, 30, 40).astype(float)
    found = np.floor(of * random.uniform(0.5, 1, 40))
    low, high = bootstrap_interval(np.stack([found, of], axis=1), share_of_first, n_draws=9999) or (0, 0)
    theirs = bootstrap(
        (found, of),
        lambda a, b, axis=-1: a.sum(axis=axis) / b.sum(axis=axis),
        paired=True,
        method="percentile",
        n_resamples=9999,
        random_state=1,
    ).confidence_interval
    assert (low, high) == pytest.approx((theirs.low, theirs.high), abs=0.004)


def test_interval_is_wider_where_objects_of_a_specimen_are_alike() -> None:
    """Ten specimens of 20 objects, all or none found, against as many found evenly."""
    of = np.full(10, 20.0)
    alike = np.stack([np.repeat([20.0, 0.0], 5), of], axis=1)
    even = np.stack([np.full(10, 10.0), of], axis=1)
    low, high = bootstrap_interval(alike, share_of_first) or (0, 0)
    assert high - low > 0.5 and bootstrap_interval(even, share_of_first) == (0.5, 0.5)


def test_interval_of_one_specimen_or_of_nothing_is_unknown() -> None:
    assert bootstrap_interval(np.array([[1.0, 2.0]]), share_of_first) is None
    assert bootstrap_interval(np.zeros((3, 2)), share_of_first) is None


def test_paired_lower_end_equals_the_one_by_normal_theory() -> None:
    """400 specimens of one object: mean difference less 1.645 standard errors."""
    random = np.random.default_rng(5)
    old, new = (random.random(400) < 0.9).astype(float), (random.random(400) < 0.88).astype(float)
    result = compare_paired(old, new, np.ones(400), margin=0.02)
    difference = new - old
    expected = difference.mean() - norm.ppf(0.95) * difference.std(ddof=1) / 20
    assert result.low == pytest.approx(expected, abs=0.004)


@pytest.mark.parametrize(
    ("new", "margin", "is_not_worse"),
    [
        (9.0, 0.0, False),  # exactly as good: the lower end is 0, which does not lie above -0
        (9.0, 0.02, True),
        (10.0, 0.0, True),
        (8.0, 0.05, False),
        (8.0, 0.15, True),
    ],
)
def test_new_is_not_worse_when_its_loss_stays_within_the_margin(
    new: float, margin: float, is_not_worse: bool
) -> None:
    n = np.ones(12)
    assert compare_paired(9 * n, new * n, 10 * n, margin=margin).is_not_worse is is_not_worse


def test_a_gain_on_average_that_may_be_chance_is_no_proof() -> None:
    old, new = np.array([10.0, 0.0, 5.0]), np.array([0.0, 10.0, 6.0])
    result = compare_paired(old, new, np.full(3, 10.0), margin=0.02)
    assert result.difference > 0 and not result.is_not_worse


def test_nothing_to_compare_is_no_proof() -> None:
    for n in (0, 1):
        result = compare_paired(np.ones(n), np.ones(n), np.ones(n), margin=0.1)
        assert result.low is None and not result.is_not_worse
