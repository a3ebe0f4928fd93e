from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from triage.counts import describe_count, express_count, limit_objects
from triage.errors import RecordError

SHARES = st.floats(0.01, 1)


def test_none_marked_on_all_of_the_glass_gives_the_rule_of_three() -> None:
    # -ln(0.05) = 2.9957.
    assert limit_objects(0, area_share=1, sensitivity=1).upper == pytest.approx(2.9957, abs=1e-4)


def test_half_the_area_at_half_the_sensitivity_gives_four_times_the_limit() -> None:
    assert limit_objects(0, area_share=0.5, sensitivity=0.5).upper == pytest.approx(-4 * math.log(0.05))


@pytest.mark.parametrize("n_marked", [0, 1, 2, 10, 500])
def test_limit_is_the_mean_at_which_so_few_have_a_chance_of_one_in_twenty(n_marked: int) -> None:
    # Against scipy.stats.poisson.
    upper = limit_objects(n_marked, area_share=0.8, sensitivity=0.9).upper
    assert stats.poisson.cdf(n_marked, upper * 0.8 * 0.9) == pytest.approx(0.05)


@pytest.mark.parametrize("n_marked", [0, 3, 50])
def test_limit_is_that_of_the_chi_square_form(n_marked: int) -> None:
    # Against scipy.stats.chi2: half the 95 % point at 2 (n + 1) degrees of freedom.
    expected = stats.chi2.ppf(0.95, 2 * (n_marked + 1)) / 2
    assert limit_objects(n_marked, area_share=1, sensitivity=1).upper == pytest.approx(expected)


@given(area_share=SHARES, sensitivity=SHARES)
def test_limit_holds_for_the_number_under_this_very_glass(area_share: float, sensitivity: float) -> None:
    # More objects than the limit would leave all of them unmarked in fewer than one of twenty glasses.
    n_objects = math.ceil(limit_objects(0, area_share=area_share, sensitivity=sensitivity).upper)
    assert stats.binom.pmf(0, n_objects, area_share * sensitivity) <= 0.05 + 1e-9


@given(n_marked=st.integers(0, 1000), area_share=SHARES, sensitivity=SHARES)
def test_limit_lies_above_the_scaled_count(n_marked: int, area_share: float, sensitivity: float) -> None:
    upper = limit_objects(n_marked, area_share=area_share, sensitivity=sensitivity).upper
    assert upper > express_count(n_marked, area_share=area_share)


@pytest.mark.parametrize(("area_share", "sensitivity"), [(0, 0.9), (0.5, 0)])
def test_without_area_or_sensitivity_there_is_no_limit(area_share: float, sensitivity: float) -> None:
    limit = limit_objects(0, area_share=area_share, sensitivity=sensitivity)
    assert math.isinf(limit.upper)
    assert "can't be said" in describe_count(limit)


def test_describe_count_names_area_sensitivity_and_limit() -> None:
    words = describe_count(limit_objects(0, area_share=0.8, sensitivity=0.9))
    assert words.startswith("0 marked, 80 % of the coverslip assessed. If 90 %")
    assert "at most 4 (95 % limit)" in words
    assert "nothing of how many are in the sample" in words


def test_express_count_scales_up_from_the_assessed_share() -> None:
    assert express_count(3, area_share=0.75) == pytest.approx(4.0)


@pytest.mark.parametrize("unit", ["gram", "ml"])
def test_express_count_refuses_other_units_and_says_why(unit: str) -> None:
    with pytest.raises(RecordError, match=rf"Objects per {unit} were asked for.*Use a counting chamber"):
        express_count(3, area_share=1, unit=unit)


def test_express_count_refuses_a_glass_that_nobody_looked_at() -> None:
    with pytest.raises(RecordError, match="None of the coverslip was assessed"):
        express_count(0, area_share=0)


@pytest.mark.parametrize("share", [-0.1, 1.1, 80, math.nan])
def test_shares_must_lie_between_0_and_1(share: float) -> None:
    with pytest.raises(RecordError, match=f"assessed share of the coverslip is {share}"):
        limit_objects(0, area_share=share, sensitivity=1)
    with pytest.raises(RecordError, match=f"sensitivity is {share}"):
        limit_objects(0, area_share=1, sensitivity=share)


def test_a_negative_number_of_marks_is_refused() -> None:
    with pytest.raises(RecordError, match="number of marks is -1"):
        limit_objects(-1, area_share=1, sensitivity=1)
    with pytest.raises(RecordError, match="number of marks is -1"):
        express_count(-1, area_share=1)
