"""What holds of a candidate, from rows of the records alone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from service.settle import current_answer, is_unsettled
from service.store.models import AdjudicationRow, CandidateRow, MarkRow
from service.store.reading import Spoken

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def answer(kind: type[Any], minute: int, reader_id: int, said: str, **more: str) -> Any:
    group = "oocyst" if said == "confirm" else None
    created_at = NOON + timedelta(minutes=minute)
    return kind(reader_id=reader_id, answer=said, group=group, created_at=created_at, **more)


YES = answer(MarkRow, 1, 1, "confirm")
UNSURE = answer(MarkRow, 2, 2, "unsure")
SETTLED = answer(AdjudicationRow, 3, 3, "reject", reason="pollen")


def spoken(marks: tuple[MarkRow, ...], *adjudications: AdjudicationRow) -> Spoken:
    return Spoken(CandidateRow(is_above_cut=True), marks, adjudications)


def test_nothing_holds_before_anybody_answered() -> None:
    assert current_answer(spoken(())) is None


def test_newest_answer_stands_while_marks_differ() -> None:
    assert is_unsettled(spoken((YES, UNSURE)))
    assert current_answer(spoken((YES, UNSURE))) is UNSURE


def test_adjudication_holds_after_a_later_mark_that_agrees() -> None:
    agreeing = answer(MarkRow, 4, 2, "reject", reason="air_bubble")
    said = spoken((YES, UNSURE, agreeing), SETTLED)
    assert not is_unsettled(said)
    assert current_answer(said) is SETTLED


def test_later_mark_that_differs_opens_the_question_again() -> None:
    later = answer(MarkRow, 4, 1, "confirm")
    said = spoken((YES, UNSURE, later), SETTLED)
    assert is_unsettled(said)
    assert current_answer(said) is later
