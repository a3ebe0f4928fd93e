"""Which finds of two lookers are the same object."""

from __future__ import annotations

import numpy as np
import pytest

from triage.match_finds import match_finds


def _boxes(*rows: tuple[float, float, float, float]) -> np.ndarray:
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def test_loose_box_matches_and_a_stranger_does_not() -> None:
    own = _boxes((0, 0, 40, 40), (300, 300, 340, 340))
    tool = _boxes((100, 100, 140, 140), (8, 8, 44, 44))
    assert match_finds(own, tool) == ((0, 1),)


@pytest.mark.parametrize("n", [0, 1])
def test_no_finds_on_a_side_make_no_pairs(n: int) -> None:
    some = _boxes(*[(0, 0, 5, 5)] * n)
    assert match_finds(some, _boxes()) == () and match_finds(_boxes(), some) == ()


def test_small_box_in_the_middle_of_a_large_one_is_the_same_object() -> None:
    assert match_finds(_boxes((0, 0, 100, 100)), _boxes((48, 48, 52, 52))) == ((0, 0),)


def test_each_find_is_in_one_pair_and_the_closer_one_goes_first() -> None:
    own = _boxes((0, 0, 40, 40), (4, 4, 44, 44))
    assert match_finds(own, _boxes((4, 4, 44, 44))) == ((1, 0),)


def test_touching_boxes_are_two_objects() -> None:
    assert match_finds(_boxes((0, 0, 40, 40)), _boxes((40, 0, 80, 40))) == ()
