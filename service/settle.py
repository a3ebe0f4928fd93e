"""Which candidates still need a mark, which marks differ, and what holds now."""

from __future__ import annotations

from service.store.models import AdjudicationRow, MarkRow
from service.store.reading import Spoken


def current_marks(spoken: Spoken) -> tuple[MarkRow, ...]:
    """The newest mark of each reader, oldest first."""
    newest = {mark.reader_id: mark for mark in spoken.marks}
    return tuple(sorted(newest.values(), key=lambda mark: mark.id))


def current_answer(spoken: Spoken) -> MarkRow | AdjudicationRow | None:
    """What holds now: the newest adjudication or mark, whichever is newer; None when there is neither."""
    said: list[MarkRow | AdjudicationRow] = [*spoken.marks[-1:], *spoken.adjudications[-1:]]
    return max(said, key=lambda answer: answer.created_at, default=None)


def needs_mark(spoken: Spoken) -> bool:
    """Whether a sign-off has to wait for a mark: shown above the cut or drawn by a reader, and unmarked."""
    return spoken.candidate.is_above_cut and not spoken.marks and not spoken.adjudications


def is_unsettled(spoken: Spoken) -> bool:
    """Whether readers' current marks differ, and no adjudication after them settles it."""
    marks = current_marks(spoken)
    if not spoken.adjudications:
        return len({_verdict(mark) for mark in marks}) > 1
    last = spoken.adjudications[-1]
    return any(mark.created_at > last.created_at and _verdict(mark) != _verdict(last) for mark in marks)


def _verdict(said: MarkRow | AdjudicationRow) -> tuple[str, str | None]:
    """What counts as the same answer: two reasons for one rejection don't differ."""
    return said.answer, said.group if said.answer == "confirm" else None
