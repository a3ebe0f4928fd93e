from __future__ import annotations

from itertools import permutations

from triage.rank import rank_candidates
from triage.records import Candidate, SizeCheck


def candidate(score: float, x: float, y: float, width: float = 10) -> Candidate:
    return Candidate(
        rank=0,
        bbox_xywh=(x, y, width, 10),
        score=score,
        group="oocyst",
        group_scores={},
        ellipse=None,
        length_um=None,
        width_um=None,
        length_um_sd=None,
        width_um_sd=None,
        size_check=SizeCheck("no calibration"),
        reasons=(),
    )


def test_rank_candidates_takes_none() -> None:
    assert rank_candidates([]) == ()


def test_rank_candidates_counts_from_one_by_falling_score() -> None:
    ranked = rank_candidates([candidate(0.2, 0, 0), candidate(0.9, 0, 0), candidate(0.5, 0, 0)])
    assert [(one.rank, one.score) for one in ranked] == [(1, 0.9), (2, 0.5), (3, 0.2)]


def test_rank_candidates_breaks_ties_the_same_way_in_any_order() -> None:
    tied = [candidate(0.5, 3, 1), candidate(0.5, 1, 2), candidate(0.5, 2, 1), candidate(0.5, 2, 1, width=20)]
    orders = [rank_candidates(order) for order in permutations(tied)]
    assert all(order == orders[0] for order in orders)
    assert [one.bbox_xywh[:3] for one in orders[0]] == [(2, 1, 20), (2, 1, 10), (3, 1, 10), (1, 2, 10)]
