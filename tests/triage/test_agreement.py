from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from triage.agreement import (
    cohen_kappa,
    disagreement_weights,
    fleiss_kappa,
    krippendorff_alpha,
    tabulate_pairs,
)
from triage.errors import RecordError

# Cohen 1968, Psychol Bull 70:213-220: shares and weights of disagreement.
COHEN_SHARES = np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]])
COHEN_WEIGHTS = np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]])
# The common worked example of ten objects and fourteen readers (credited to Fleiss 1971, unchecked).
FLEISS_COUNTS = np.array(
    [
        [0, 0, 0, 0, 14],
        [0, 2, 6, 4, 2],
        [0, 0, 3, 5, 6],
        [0, 3, 9, 2, 0],
        [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0],
        [3, 2, 6, 3, 0],
        [2, 5, 3, 2, 2],
        [6, 5, 2, 1, 0],
        [0, 2, 2, 3, 7],
    ]
)
_ = np.nan
# Krippendorff 2011, "Computing Krippendorff's Alpha-Reliability": four observers, twelve units.
KRIPPENDORFF_RATINGS = np.array(
    [
        [1, 2, 3, 3, 2, 1, 4, 1, 2, _, _, _],
        [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, _, 3],
        [_, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, _],
        [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, _],
    ]
)
# A second published example: three observers, fifteen units.
OTHER_RATINGS = np.array(
    [
        [_, _, _, _, _, 3, 4, 1, 2, 1, 1, 3, 3, _, 3],
        [1, _, 2, 1, 3, 3, 4, 3, _, _, _, _, _, _, _],
        [_, _, 2, 1, 3, 4, 4, _, 2, 1, 1, 3, 3, _, 4],
    ]
)
TABLES = hnp.arrays(np.int64, (3, 3), elements=st.integers(0, 40))


@pytest.mark.parametrize(
    ("table", "kappa"),
    # Textbook examples; the third is a table of high agreement and low kappa.
    [
        ([[20, 5], [10, 15]], 0.4),
        ([[45, 15], [25, 15]], 0.130435),
        ([[118, 5], [2, 0]], -0.023392),
        (COHEN_SHARES, 0.491525),
    ],
)
def test_cohen_kappa_of_published_examples(table: list[list[int]], kappa: float) -> None:
    assert cohen_kappa(np.array(table)) == pytest.approx(kappa, abs=1e-6)


def test_weighted_kappa_of_the_published_example() -> None:
    # Cohen 1968 prints .348.
    assert cohen_kappa(COHEN_SHARES, weights=COHEN_WEIGHTS) == pytest.approx(0.347826, abs=1e-6)


@pytest.mark.parametrize(
    ("share_1", "share_2", "agreeing", "printed"),
    # Monarrez-Espino et al., Indian J Community Health: two readers of zinc sulfate flotation. Kappa from the
    # printed shares, which are rounded.
    [(0.034, 0.135, 0.887, 0.30), (0.040, 0.282, 0.724, 0.08), (0.322, 0.333, 0.805, 0.55)],
)
def test_cohen_kappa_of_readers_of_flotation_slides(
    share_1: float, share_2: float, agreeing: float, printed: float
) -> None:
    both = (share_1 + share_2 - 1 + agreeing) / 2
    table = np.array([[both, share_1 - both], [share_2 - both, 1 - share_1 - share_2 + both]])
    assert cohen_kappa(np.maximum(table, 0)) == pytest.approx(printed, abs=0.011)


@given(TABLES)
def test_quadratic_kappa_equals_its_other_form(table: np.ndarray) -> None:
    # Quadratic weighted kappa is 2 s_xy / (s_x² + s_y² + (mean_x - mean_y)²) of the categories' numbers
    # (Fleiss & Cohen 1973, from memory), here worked out with numpy.
    first, second = (np.repeat(index.ravel(), table.ravel()) for index in np.indices(table.shape))
    kappa = cohen_kappa(table, weights=disagreement_weights(3, power=2))
    if kappa is None:
        assert len(first) == 0 or len({*first, *second}) == 1
        return
    covariance = np.cov(first, second, bias=True)
    spread = covariance[0, 0] + covariance[1, 1] + (first.mean() - second.mean()) ** 2
    assert kappa == pytest.approx(2 * covariance[0, 1] / spread, abs=1e-9)


@given(TABLES)
def test_cohen_kappa_does_not_depend_on_who_comes_first(table: np.ndarray) -> None:
    assert cohen_kappa(table) == pytest.approx(cohen_kappa(table.T))


def test_linear_weights_count_steps() -> None:
    assert disagreement_weights(3).tolist() == [[0, 1, 2], [1, 0, 1], [2, 1, 0]]


def test_tabulate_pairs_counts_rows_for_the_first_reader() -> None:
    table = tabulate_pairs(["egg", "egg", "bubble"], ["egg", "bubble", "bubble"], ["egg", "bubble"])
    assert table.tolist() == [[1, 1], [0, 1]]


@pytest.mark.parametrize("table", [np.zeros((2, 2)), np.array([[7, 0], [0, 0]]), np.zeros((0, 0))])
def test_cohen_kappa_is_undefined_without_any_variety(table: np.ndarray) -> None:
    assert cohen_kappa(table) is None


def test_fleiss_kappa_of_the_published_example() -> None:
    assert fleiss_kappa(FLEISS_COUNTS) == pytest.approx(0.2099307, abs=1e-7)


@given(TABLES.filter(lambda table: table.sum() > 0))
def test_fleiss_kappa_of_two_readers_is_that_of_scott(table: np.ndarray) -> None:
    # Scott's pi: chance agreement from the pooled shares of both readers.
    both = np.concatenate([np.eye(3)[one] + np.eye(3)[other] for one, other in _answers(table)]).reshape(
        -1, 3
    )
    shares = (table.sum(axis=0) + table.sum(axis=1)) / (2 * table.sum())
    by_chance = (shares**2).sum()
    kappa = fleiss_kappa(both)
    if kappa is None:
        assert by_chance == pytest.approx(1)
        return
    agreeing = np.trace(table) / table.sum()
    assert kappa == pytest.approx((agreeing - by_chance) / (1 - by_chance))


def _answers(table: np.ndarray) -> list[tuple[int, int]]:
    return [(i, j) for (i, j), n in np.ndenumerate(table) for _ in range(n)]


@pytest.mark.parametrize("counts", [np.zeros((0, 3)), np.array([[3, 0], [3, 0]])])
def test_fleiss_kappa_is_undefined_without_any_variety(counts: np.ndarray) -> None:
    assert fleiss_kappa(counts) is None


@pytest.mark.parametrize(
    ("level", "alpha"),
    [("nominal", 0.743421), ("ordinal", 0.815388), ("interval", 0.849107), ("ratio", 0.797403)],
)
def test_krippendorff_alpha_of_the_published_example(level: str, alpha: float) -> None:
    found = krippendorff_alpha(KRIPPENDORFF_RATINGS, level=level)  # type: ignore[arg-type]
    assert found == pytest.approx(alpha, abs=1e-6)


@pytest.mark.parametrize(("level", "alpha"), [("nominal", 0.691358), ("interval", 0.810845)])
def test_krippendorff_alpha_of_the_second_example(level: str, alpha: float) -> None:
    found = krippendorff_alpha(OTHER_RATINGS, level=level)  # type: ignore[arg-type]
    assert found == pytest.approx(alpha, abs=1e-6)


def test_krippendorff_alpha_leaves_out_units_with_one_answer() -> None:
    assert krippendorff_alpha(KRIPPENDORFF_RATINGS[:, :11]) == krippendorff_alpha(KRIPPENDORFF_RATINGS)


@given(
    hnp.arrays(np.int64, (3, 6), elements=st.integers(0, 3)),
    st.sampled_from(["nominal", "ordinal", "interval", "ratio"]),
)
def test_krippendorff_alpha_does_not_depend_on_the_order_of_readers(ratings: np.ndarray, level: str) -> None:
    turned = krippendorff_alpha(ratings[::-1].astype(float), level=level)  # type: ignore[arg-type]
    assert krippendorff_alpha(ratings.astype(float), level=level) == pytest.approx(turned)  # type: ignore[arg-type]


@pytest.mark.parametrize("ratings", [[[1, 1], [1, 1]], [[1, _], [_, 1]], [[_, _], [_, _]]])
def test_krippendorff_alpha_is_undefined_without_pairs_that_differ(ratings: list[list[float]]) -> None:
    assert krippendorff_alpha(np.array(ratings)) is None


def test_bad_input_is_refused() -> None:
    with pytest.raises(RecordError, match="table is 2 x 3; it must be square"):
        cohen_kappa(np.ones((2, 3)))
    with pytest.raises(RecordError, match=r"weights have shape \(3, 3\)"):
        cohen_kappa(np.ones((2, 2)), weights=np.ones((3, 3)))
    with pytest.raises(RecordError, match="numbers that are 0 or more"):
        cohen_kappa(np.array([[1, -1], [0, 1]]))
    with pytest.raises(RecordError, match="answered by 2 to 3 readers"):
        fleiss_kappa(np.array([[2, 0], [2, 1]]))
    with pytest.raises(RecordError, match="answered by 1 to 1 readers"):
        fleiss_kappa(np.array([[1, 0], [0, 1]]))
    with pytest.raises(RecordError, match="no level 'circular'"):
        krippendorff_alpha(np.ones((2, 2)), level="circular")  # type: ignore[arg-type]
    with pytest.raises(RecordError, match="A rating is -1; for ratios"):
        krippendorff_alpha(np.array([[-1.0, 2], [1, 2]]), level="ratio")
    with pytest.raises(RecordError, match="first reader answered 1 objects and the second 2"):
        tabulate_pairs(["egg"], ["egg", "egg"], ["egg"])
    with pytest.raises(RecordError, match="an answer 'mite'; allowed are: egg, bubble"):
        tabulate_pairs(["egg"], ["mite"], ["egg", "bubble"])
