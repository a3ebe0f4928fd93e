from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from training.proportions import difference_interval
from triage.errors import RecordError

COUNTS = st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(
    ("n_right_1", "n_1", "n_right_2", "n_2", "low", "high"),
    # Newcombe 1998, Stat Med 17:873-890, table II, examples a, b and d.
    [(56, 70, 48, 80, 0.0524, 0.3339), (9, 10, 3, 10, 0.1705, 0.8090), (5, 56, 0, 29, -0.0381, 0.1926)],
)
def test_difference_interval_of_published_examples(
    n_right_1: int, n_1: int, n_right_2: int, n_2: int, low: float, high: float
) -> None:
    found = difference_interval(n_right_1, n_1, n_right_2, n_2)
    assert found == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


@given(COUNTS, COUNTS)
def test_difference_interval_turns_over_with_the_groups(
    first: tuple[int, int], second: tuple[int, int]
) -> None:
    low, high = difference_interval(*first, *second)
    assert difference_interval(*second, *first) == (pytest.approx(-high), pytest.approx(-low))
    difference = first[0] / first[1] - second[0] / second[1]
    assert -1 - 1e-9 <= low <= difference + 1e-9 and difference - 1e-9 <= high <= 1 + 1e-9


@pytest.mark.parametrize("counts", [(-1, 10, 1, 10), (11, 10, 1, 10), (1, 10, 0, 0)])
def test_impossible_proportions_are_refused(counts: tuple[int, int, int, int]) -> None:
    with pytest.raises(RecordError, match=r"A proportion is .* out of"):
        difference_interval(*counts)
