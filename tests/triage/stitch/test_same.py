"""Objects of two overlapping fields, drawn as boxes around points of a common frame."""

from __future__ import annotations

import math

import pytest

from triage.stitch.same import FieldObject, FieldPlace, find_same

PLACES = {
    1: FieldPlace(0, 0, 0, 200, 160),
    2: FieldPlace(150, 0, 0, 200, 160),
    3: FieldPlace(0, 0, 2, 200, 160),
}


def draw(number: int, field: int, x: float, y: float, side: float = 20) -> FieldObject:
    """A box around a point of the common frame, in pixels of the field."""
    place = PLACES[field]
    middle_x, middle_y = place.x + place.width / 2, place.y + place.height / 2
    turn = math.radians(-place.turn_deg)
    from_x, from_y = x - middle_x, y - middle_y
    column = place.width / 2 + from_x * math.cos(turn) - from_y * math.sin(turn)
    row = place.height / 2 + from_x * math.sin(turn) + from_y * math.cos(turn)
    return FieldObject(number, field, (column - side / 2, row - side / 2, column + side / 2, row + side / 2))


def test_object_in_the_overlap_is_one() -> None:
    objects = [draw(10, 1, 170, 40), draw(11, 1, 30, 40), draw(20, 2, 172, 41), draw(21, 2, 300, 40)]
    assert find_same(PLACES, objects) == [(10, 20)]


def test_object_of_a_turned_field_is_one() -> None:
    assert find_same(PLACES, [draw(10, 1, 190, 150), draw(30, 3, 190, 150)]) == [(10, 30)]


def test_object_in_three_fields_is_one() -> None:
    objects = [draw(number, field, 170, 40) for number, field in ((10, 1), (20, 2), (30, 3))]
    assert find_same(PLACES, objects) == [(10, 20, 30)]


def test_two_objects_of_one_field_stay_two() -> None:
    objects = [draw(10, 1, 170, 40), draw(11, 1, 176, 40), draw(20, 2, 170, 40), draw(21, 2, 176, 40)]
    assert find_same(PLACES, objects) == [(10, 20), (11, 21)]


@pytest.mark.parametrize(("x", "side"), [(190.0, 20.0), (170.0, 60.0)])
def test_what_lies_apart_or_is_far_larger_is_another(x: float, side: float) -> None:
    assert find_same(PLACES, [draw(10, 1, 170, 40), draw(20, 2, x, 40, side)]) == []


def test_parted_objects_stay_parted_even_through_a_third() -> None:
    objects = [draw(number, field, 170, 40) for number, field in ((10, 1), (20, 2), (30, 3))]
    same = find_same(PLACES, objects, parted=frozenset({(10, 20)}))
    assert len(same) == 1 and not {10, 20} <= set(same[0])


def test_field_of_unknown_place_and_no_object_give_nothing() -> None:
    assert find_same({}, [draw(10, 1, 170, 40), draw(20, 2, 170, 40)]) == []
    assert find_same(PLACES, []) == []
