from __future__ import annotations

from itertools import permutations

import numpy as np

from triage.groups import read_groups
from triage.merge import empty_detections, take_detections
from triage.rank import rank_rows
from triage.records import Detections


def detect(*rows: tuple[float, float, float, float]) -> Detections:
    """Boxes 10 px high from (score, x, y, width)."""
    n = len(rows)
    boxes = np.array([[x, y, x + width, y + 10] for _, x, y, width in rows], dtype=np.float64)
    n_groups = len(read_groups())
    scores = np.array([row[0] for row in rows])
    return Detections(boxes.reshape(-1, 4), scores, np.full((n, n_groups), 1 / n_groups), np.zeros((n, 5)))


def test_rank_rows_takes_none() -> None:
    assert rank_rows(empty_detections(len(read_groups()))).tolist() == []


def test_rank_rows_puts_the_highest_score_first() -> None:
    assert rank_rows(detect((0.2, 0, 0, 10), (0.9, 0, 0, 10), (0.5, 0, 0, 10))).tolist() == [1, 2, 0]


def test_rank_rows_compares_scores_as_they_are_told() -> None:
    assert rank_rows(detect((0.50004, 5, 5, 10), (0.50001, 0, 0, 10))).tolist() == [1, 0]


def test_rank_rows_breaks_ties_the_same_way_in_any_order() -> None:
    tied = detect((0.5, 3, 1, 10), (0.5, 1, 2, 10), (0.5, 2, 1, 10), (0.5, 2, 1, 20))
    for order in permutations(range(4)):
        mixed = take_detections(tied, np.array(order))
        ranked = take_detections(mixed, rank_rows(mixed)).boxes_xyxy
        assert ranked[:, :3].tolist() == [[2, 1, 22], [2, 1, 12], [3, 1, 13], [1, 2, 11]]
