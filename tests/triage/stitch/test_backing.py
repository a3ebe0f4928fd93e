"""What a tie between two parts lays on each other agrees where the tie is right, else contradicts it."""

from __future__ import annotations

from math import inf
from typing import Any

import cv2
import numpy as np
import pytest

from triage.stitch.backing import Backing, find_misplaced
from triage.stitch.records import Pair
from triage.stitch.solve import solve_places

FIELD_HW = (180, 240)
PLACES_XY = [(column * 160.0, row * 120.0) for row in range(2) for column in range(4)]
ENOUGH = 0.02


class Greys:
    """Fields of a slide of discs, laid two by four."""

    def __init__(self) -> None:
        rng = np.random.default_rng(8)
        slide = np.full((340, 820), 200.0, np.float32)
        for _ in range(150):
            x, y = int(rng.integers(0, 820)), int(rng.integers(0, 340))
            cv2.circle(slide, (x, y), int(rng.integers(3, 9)), float(rng.uniform(60, 150)), -1)
        calm = cv2.GaussianBlur(slide, (0, 0), 1.2)
        height, width = FIELD_HW
        self.fields = [calm[int(y) : int(y) + height, int(x) : int(x) + width] for x, y in PLACES_XY]

    def read(self, number: int) -> np.ndarray:
        return self.fields[number]

    def measure_grain(self, number: int) -> float:
        return 0.0


def tie(first: int, second: int, off_px: float = 0.0) -> Pair:
    shift = np.array(PLACES_XY[second]) - PLACES_XY[first] + (0.0, off_px)
    seen = shift / 2 + np.array([(0.0, 0.0), (3.0, 12.0), (-3.0, -12.0)])
    return Pair(first, second, seen, seen - shift, np.full(3, 0.9), 1e-4)


def back(between: Pair) -> tuple[Backing, Pair]:
    """Left and right half of the fields, and one tie between them."""
    halves = [tie(0, 1), tie(0, 4), tie(1, 5), tie(2, 3), tie(2, 6), tie(3, 7)]
    places = solve_places(8, [*halves, between])
    greys: Any = Greys()
    return Backing(FIELD_HW, places, halves, greys, range(8)), between


def test_right_tie_is_backed_by_the_other_fields_it_lays_on_each_other() -> None:
    backing, between = back(tie(1, 2))
    assert not backing.is_refuted(between)
    assert backing.weigh(between, 0.1, ENOUGH) < ENOUGH


def test_wrong_tie_is_refuted() -> None:
    backing, between = back(tie(1, 2, off_px=60.0))
    assert backing.is_refuted(between)
    assert backing.weigh(between, 0.1, ENOUGH) == inf


@pytest.mark.parametrize("expected", [0.01, 5.0])
def test_what_is_sure_or_hopeless_is_not_looked_at(expected: float) -> None:
    backing, between = back(tie(1, 2, off_px=60.0))
    assert backing.weigh(between, expected, ENOUGH) == expected


def test_places_that_a_tie_would_take_twice_are_listed() -> None:
    backing, between = back(tie(1, 2))
    taken = {tuple(np.round(step).tolist()) for step in backing.list_taken(between)}
    assert {(-160.0, 0.0), (0.0, 120.0)} <= taken and (160.0, 0.0) not in taken


def test_field_that_more_others_contradict_than_tie_is_misplaced() -> None:
    pairs = [tie(0, 1), tie(1, 2), tie(2, 3), tie(0, 4)]
    assert find_misplaced(pairs, [(4, 5), (2, 4)], 8) == [4]
    assert find_misplaced(pairs, [(4, 5)], 8) == []
    assert find_misplaced(pairs, [], 8) == []
