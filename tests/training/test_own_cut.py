from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from training.metrics import FALSE, FOUND, Matches
from training.own_cut import Seen, choose_cut, describe_cut, to_lines


def see(found: list[float], false: list[float], *, n_objects: int = 0, is_tile: bool = False) -> Seen:
    """A picture with candidates of these scores, right and wrong."""
    scores = np.array([*found, *false])
    verdicts = np.array([FOUND] * len(found) + [FALSE] * len(false), dtype=np.int64)
    order = np.argsort(-scores, kind="stable")
    objects = np.where(verdicts == FOUND, 0, -1)[order]
    n_objects = max(n_objects, len(found))
    return Seen(Matches(scores[order], verdicts[order], objects, n_objects), is_tile, n_objects == 0)


EMPTY = see([], [0.1], is_tile=True)


@pytest.mark.parametrize(
    ("before", "after", "cut"),
    [
        # All objects are found above every false one: the highest score that finds them.
        (see([0.6, 0.5], []), see([0.9, 0.8], [0.3]), 0.8),
        # The third would let more false ones through than before: it stays below.
        (see([0.6, 0.5], [], n_objects=3), see([0.9, 0.8, 0.2], [0.3]), 0.8),
        # As many false ones as before are let through.
        (see([0.6, 0.5], [0.4], n_objects=3), see([0.9, 0.8, 0.2], [0.3]), 0.2),
        # Objects found before are not lost for fewer false ones.
        (see([0.6, 0.5], []), see([0.9, 0.4], [0.5]), 0.4),
        # What was found before is out of reach: no flood for nothing.
        (see([0.6, 0.5], [], n_objects=2), see([0.9], [0.3], n_objects=2), 0.9),
    ],
)
def test_own_cut_keeps_what_was_found_and_lets_no_more_false_ones_through(
    before: Seen, after: Seen, cut: float
) -> None:
    assert choose_cut([before, EMPTY], 0.35, [after, EMPTY]) == pytest.approx(cut, abs=1e-4)


def test_nothing_to_choose_a_cut_on_is_said() -> None:
    assert choose_cut([EMPTY], 0.35, [EMPTY]) is None


def test_candidate_that_the_cut_was_chosen_by_stays_above_it() -> None:
    score = 0.123456
    cut = choose_cut([see([0.9], [])], 0.35, [see([score], [])])
    assert cut is not None and score - 1e-4 < cut <= score


def test_candidates_on_empty_pictures_are_told_at_both_cuts() -> None:
    before = [see([0.6], []), see([], [0.5, 0.3]), see([], [0.2], is_tile=True)]
    after = [see([0.9], []), see([], [0.8, 0.4]), see([], [0.7], is_tile=True)]
    said: Any = describe_cut(before, 0.35, after, 0.75)
    assert said["candidates_on_empty"] == {
        "pictures_and_tiles": 2,
        "before": 1,
        "after": 1,
        "after_at_the_old_cut": 3,
    }
    assert (said["found"], said["of"], said["chosen_on"]) == (1, 1, "2 held-out pictures and 1 drawn tiles")
    assert "2 pictures and tiles without objects: 1 before, 1 now (3 at the old cut)" in to_lines(said)[1]
