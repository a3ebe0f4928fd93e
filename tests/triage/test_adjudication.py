from __future__ import annotations

from itertools import permutations

import pytest

from triage.adjudication import Adjudication, Mark, current_marks, find_differing, settle
from triage.errors import RecordError

ANN_YES = Mark(1, "ann", "confirm", "oocyst")
ANN_NO = Mark(2, "ann", "reject", "pollen")
BEN_YES = Mark(3, "ben", "confirm", "oocyst")
BEN_OTHER = Mark(4, "ben", "confirm", "taeniid_egg")
BEN_UNSURE = Mark(5, "ben", "unsure")
BEN_BUBBLE = Mark(6, "ben", "reject", "air_bubble")


def test_current_marks_takes_the_last_of_each_reader_in_any_order() -> None:
    for order in permutations([ANN_YES, ANN_NO, BEN_YES]):
        assert current_marks(order) == (ANN_NO, BEN_YES)


@pytest.mark.parametrize("marks", [(), (ANN_YES,), (ANN_YES, BEN_YES), (ANN_NO, BEN_BUBBLE)])
def test_find_differing_where_readers_agree(marks: tuple[Mark, ...]) -> None:
    assert find_differing(marks) == ()


@pytest.mark.parametrize("other", [BEN_OTHER, BEN_UNSURE, BEN_BUBBLE])
def test_find_differing_where_readers_differ(other: Mark) -> None:
    assert find_differing([ANN_YES, other]) == (ANN_YES, other)


def test_find_differing_forgets_a_mark_that_its_reader_replaced() -> None:
    assert find_differing([ANN_YES, ANN_NO, BEN_BUBBLE]) == ()


def test_settle_takes_the_agreed_mark() -> None:
    assert settle([ANN_YES, BEN_YES]) == BEN_YES


@pytest.mark.parametrize("marks", [(), (ANN_YES, BEN_UNSURE)])
def test_settle_leaves_open_what_is_unmarked_or_differs(marks: tuple[Mark, ...]) -> None:
    assert settle(marks) is None


def test_settle_takes_the_last_adjudication() -> None:
    first, last = Adjudication(7, "cleo", "unsure"), Adjudication(8, "cleo", "confirm", "oocyst")
    assert settle([ANN_YES, BEN_BUBBLE], [last, first]) == last


def test_settle_is_open_again_after_a_later_mark_that_differs() -> None:
    settled = Adjudication(7, "cleo", "confirm", "oocyst")
    later = Mark(9, "ann", "reject", "pollen")
    assert settle([ANN_YES, BEN_BUBBLE, later], [settled]) is None
    assert find_differing([ANN_YES, BEN_BUBBLE, later], [settled]) == (later,)


def test_settle_stays_after_a_later_mark_that_agrees() -> None:
    settled = Adjudication(7, "cleo", "confirm", "oocyst")
    assert settle([ANN_YES, BEN_BUBBLE, Mark(9, "ben", "confirm", "oocyst")], [settled]) == settled


@pytest.mark.parametrize(
    ("answer", "group", "message"),
    [
        ("yes", None, "must be one of confirm, reject, unsure"),
        ("confirm", None, "needs the name of a candidate group"),
        ("confirm", "pollen", "needs the name of a candidate group"),
        ("reject", "oocyst", "needs the name of a look-alike group"),
        ("reject", "egg", "no group named 'egg'"),
    ],
)
def test_mark_refuses(answer: str, group: str | None, message: str) -> None:
    with pytest.raises(RecordError, match=message):
        Mark(1, "ann", answer, group)
