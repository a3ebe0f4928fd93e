from __future__ import annotations

import pytest

from triage.practice import (
    MISSED,
    NOT_COUNTED,
    NOT_THERE,
    OTHER_GROUP,
    RIGHT,
    Find,
    Known,
    Outcome,
    judge_finds,
    measure_standing,
)

EGG = Known((10, 10, 40, 30), "ascarid_egg")
OOCYST = Known((100, 10, 20, 20), "oocyst")
POLLEN = Known((200, 10, 30, 30), "pollen")


@pytest.mark.parametrize(
    ("find", "expected"),
    [
        (Find((12, 9, 40, 30), "ascarid_egg"), [RIGHT, MISSED]),
        (Find((12, 9, 40, 30), "taeniid_egg"), [OTHER_GROUP, MISSED]),
        (Find((12, 9, 40, 30), "pollen"), [OTHER_GROUP, MISSED]),
        (Find((202, 9, 30, 30), "pollen"), [MISSED, MISSED, RIGHT]),
        (Find((202, 9, 30, 30), "air_bubble"), [MISSED, MISSED, RIGHT]),
        (Find((202, 9, 30, 30), "oocyst"), [MISSED, MISSED, OTHER_GROUP]),
        (Find((300, 200, 30, 30), "oocyst"), [MISSED, MISSED, NOT_THERE]),
        (Find((300, 200, 30, 30), "mite"), [MISSED, MISSED, NOT_COUNTED]),
        (Find((400, 200, 30, 30), "oocyst"), [MISSED, MISSED, NOT_COUNTED]),
    ],
)
def test_each_object_and_find_gets_its_answer(find: Find, expected: list[str]) -> None:
    judged = judge_finds([find], [EGG, OOCYST, POLLEN], [(395, 195, 40, 40)])
    assert [one.result for one in judged] == expected


def test_empty_slide_and_no_finds_give_no_answers() -> None:
    assert judge_finds([], [], []) == []


def _right(n: int) -> list[Outcome]:
    return [Outcome(RIGHT, (0, 0, 9, 9), "oocyst", "oocyst")] * n


def _missed(n: int) -> list[Outcome]:
    return [Outcome(MISSED, (0, 0, 9, 9), "oocyst", None)] * n


@pytest.mark.parametrize(
    ("outcomes", "is_enough"),
    [
        (_right(9), False),
        (_right(10), True),
        (_right(8) + _missed(2), True),
        (_right(7) + _missed(3), False),
        # Only the newest count: who was bad at first may get good.
        (_missed(10) + _right(10), True),
        (_right(10) + [Outcome(NOT_THERE, (0, 0, 9, 9), None, "oocyst")] * 3, False),
        (_right(10) + [Outcome(OTHER_GROUP, (0, 0, 9, 9), "pollen", "oocyst")] * 3, False),
        (_right(10) + [Outcome(NOT_COUNTED, (0, 0, 9, 9), None, "oocyst")] * 3, True),
    ],
)
def test_standing_asks_for_objects_and_for_a_share_right(outcomes: list[Outcome], is_enough: bool) -> None:
    (standing,) = measure_standing(outcomes, {"oocyst": 40}, n_needed=10, share_needed=0.8)
    assert standing.is_enough is is_enough


def test_no_more_is_asked_for_than_slides_hold() -> None:
    (standing,) = measure_standing(_right(3), {"oocyst": 3}, n_needed=10, share_needed=0.8)
    assert standing.n_needed == 3 and standing.is_enough
    assert measure_standing([], {"pollen": 3}, n_needed=10, share_needed=0.8) == []


def test_curve_shows_the_share_of_the_last_ten() -> None:
    (standing,) = measure_standing(_missed(10) + _right(10), {"oocyst": 40}, n_needed=5, share_needed=0.8)
    assert standing.curve[9] == (10, 0.0) and standing.curve[14] == (15, 0.5)
    assert standing.curve[-1] == (20, 1.0)
