from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from triage.groups import read_groups
from triage.looks import combine_looks
from triage.merge import merge_detections, take_detections
from triage.records import Detections

N_GROUPS = len(read_groups())


def look(*rows: tuple[float, float, float, int]) -> Detections:
    """Squares of 40 px, each `x, score, factor, group`."""
    n = len(rows)
    x, scores, factors, groups = (np.array([row[part] for row in rows], dtype=float) for part in range(4))
    shares = np.full((n, N_GROUPS), 0.2 / N_GROUPS)
    shares[np.arange(n), groups.astype(int)] += 0.8
    boxes = np.stack([x, x * 0, x + 40, x * 0 + 40], axis=1)
    ellipses = np.stack([x + 20, x * 0 + 20, x * 0 + 40, x * 0 + 40, x * 0], axis=1)
    return Detections(boxes, scores, shares, ellipses, np.zeros(n, dtype=bool), factors)


def combine(seen: Detections, *, has_plain_look: bool = True) -> Detections:
    return combine_looks(merge_detections(seen), seen, has_plain_look=has_plain_look)


def test_combine_looks_lowers_what_is_only_seen_enlarged() -> None:
    combined = combine(look((0, 0.9, 2.0, 0)))
    # Logits of 0.9 and 0.05 are ln 9 and -ln 19; their mean belongs to sqrt(9 / 19) odds.
    odds = np.sqrt(9 / 19)
    assert combined.scores == pytest.approx([odds / (1 + odds)])


@pytest.mark.parametrize("enlarged", [0.3, 0.8])
def test_combine_looks_keeps_the_score_of_a_plain_look_that_is_the_best(enlarged: float) -> None:
    assert combine(look((0, 0.8, 1.0, 0), (1, enlarged, 2.0, 0))).scores == pytest.approx([0.8])


def test_combine_looks_goes_half_way_between_an_enlarged_and_the_best_plain_look() -> None:
    combined = combine(look((0, 0.9, 2.0, 0), (1, 0.2, 1.0, 0), (0, 0.5, 0.5, 0)))
    assert combined.scores == pytest.approx([0.75])


def test_combine_looks_believes_an_enlarged_look_where_there_is_no_other() -> None:
    assert combine(look((0, 0.9, 2.0, 0)), has_plain_look=False).scores == pytest.approx([0.9])


def test_combine_looks_takes_groups_from_all_scales() -> None:
    combined = combine(look((0, 0.9, 1.0, 3), (1, 0.8, 0.5, 5), (0, 0.7, 0.25, 5)))
    assert combined.group_scores[0].argmax() == 5
    assert combined.group_scores[0].sum() == pytest.approx(1)
    assert combined.group_scores[0][3] == pytest.approx(0.8 * 0.9 / 2.4 + 0.2 / N_GROUPS)


def test_combine_looks_counts_each_scale_once() -> None:
    one = look((0, 0.9, 1.0, 3), (0, 0.8, 0.5, 5))
    twice = look((0, 0.9, 1.0, 3), (0, 0.8, 0.5, 5), (1, 0.7, 0.5, 5))
    np.testing.assert_allclose(combine(twice).group_scores, combine(one).group_scores)


def test_combine_looks_orders_anew() -> None:
    combined = combine(look((0, 0.9, 2.0, 0), (200, 0.8, 1.0, 1)))
    assert combined.boxes_xyxy[:, 0].tolist() == [200, 0]
    assert (np.diff(combined.scores) < 0).all()


def test_combine_looks_does_not_depend_on_the_order_of_rows() -> None:
    generator = np.random.default_rng(1)
    rows = [
        (
            50.0 * (index % 5) + generator.uniform(0, 4),
            round(generator.uniform(0.1, 1), 1),
            2.0 ** (index % 3 - 1),
            index % 4,
        )
        for index in range(60)
    ]
    seen = look(*rows)
    expected = combine(seen)
    mixed = take_detections(seen, generator.permutation(len(rows)))
    for name, array in vars(combine(mixed)).items():
        np.testing.assert_array_equal(array, getattr(expected, name))


@pytest.mark.parametrize("factors", [None, np.zeros(0)])
def test_combine_looks_takes_no_detections(factors: np.ndarray | None) -> None:
    none = replace(look(), factors=factors)
    assert len(combine_looks(merge_detections(none), none, has_plain_look=True).scores) == 0


def test_combine_looks_leaves_alone_what_does_not_say_its_scale() -> None:
    seen = replace(look((0, 0.9, 1.0, 3), (0, 0.8, 0.5, 5)), factors=None)
    merged = merge_detections(seen)
    assert combine_looks(merged, seen, has_plain_look=True) is merged
