from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import stats

from training.measured_agreement import concordance, limits_of_agreement
from triage.errors import RecordError

# Bland & Altman 1986, Lancet i:307-310: first readings of two peak-flow meters on 17 people, l/min.
WRIGHT = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427])
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451])
SEVEN = hnp.arrays(np.float64, 7, elements=st.integers(-50, 50).map(float))


def test_limits_of_agreement_of_the_published_example() -> None:
    limits = limits_of_agreement(WRIGHT, MINI)
    assert (limits.n, limits.bias, limits.sd) == (17, pytest.approx(-2.117647), pytest.approx(38.76513))
    # 1.96 standard deviations; the paper's own 2 would give -79.6 and 75.4.
    assert (limits.low, limits.high) == (pytest.approx(-78.097302), pytest.approx(73.862007))
    # Worked out apart from this code.
    assert limits.bias_se == pytest.approx(9.402, abs=5e-4)
    assert limits.limit_se == pytest.approx(16.285, abs=5e-4)


def test_concordance_of_the_same_table() -> None:
    # No published example with data was found; worked out apart from this code, variances over n.
    assert concordance(WRIGHT, MINI) == pytest.approx(0.942742, abs=1e-6)


@given(SEVEN, SEVEN)
def test_concordance_is_correlation_times_how_close_the_lines_lie(
    first: np.ndarray, second: np.ndarray
) -> None:
    # Lin's other form, with Pearson's r from scipy.stats: r x 2 / (v + 1/v + u²).
    if first.std() == 0 or second.std() == 0:
        return
    scale = first.std() / second.std()
    shift = (first.mean() - second.mean()) ** 2 / (first.std() * second.std())
    expected = stats.pearsonr(first, second).statistic * 2 / (scale + 1 / scale + shift)
    assert concordance(first, second) == pytest.approx(expected, abs=1e-9)


@given(SEVEN, st.floats(-100, 100))
def test_a_constant_shift_is_all_bias(first: np.ndarray, shift: float) -> None:
    limits = limits_of_agreement(first + shift, first)
    assert limits.bias == pytest.approx(shift, abs=1e-9)
    assert limits.sd == pytest.approx(0, abs=1e-9)


def test_concordance_falls_with_a_shift_that_correlation_does_not_see() -> None:
    assert concordance(WRIGHT, WRIGHT) == pytest.approx(1)
    shifted = concordance(WRIGHT, WRIGHT + 100)
    assert shifted is not None and shifted < 0.8


def test_concordance_of_constant_equal_values_is_undefined() -> None:
    assert concordance(np.zeros(3), np.zeros(3)) is None


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        ([1, 2], [1, 2, 3], "at least two"),
        ([1], [1], "at least two"),
        ([1, np.nan], [1, 2], "missing or not finite"),
    ],
)
def test_measurements_that_do_not_pair_are_refused(
    first: list[float], second: list[float], message: str
) -> None:
    for compare in (limits_of_agreement, concordance):
        with pytest.raises(RecordError, match=message):
            compare(np.array(first), np.array(second))
