"""Which candidates still need a mark, which marks differ, and what holds now."""

from __future__ import annotations

from service.store.models import AdjudicationRow, MarkRow
from service.store.reading import Spoken
from triage.adjudication import Adjudication, Mark, find_differing, settle

Said = MarkRow | AdjudicationRow


def current_answer(spoken: Spoken) -> Said | None:
    """What holds now: what settled the marks or what they agree on.

    Where they differ, the newest answer; None where nobody said anything.
    """
    said = _said_in_order(spoken)
    settled = settle(*_number(said))
    if settled is not None:
        return said[settled.number]
    return said[-1] if said else None


def needs_mark(spoken: Spoken) -> bool:
    """Whether a sign-off has to wait for a mark: shown above the cut or drawn by a reader, and unmarked."""
    return spoken.candidate.is_above_cut and not spoken.marks and not spoken.adjudications


def is_unsettled(spoken: Spoken) -> bool:
    """Whether readers' current marks differ, and no adjudication after them settles it."""
    return bool(find_differing(*_number(_said_in_order(spoken))))


def _said_in_order(spoken: Spoken) -> list[Said]:
    """Marks and adjudications, oldest first."""
    return sorted([*spoken.marks, *spoken.adjudications], key=lambda row: row.created_at)


def _number(said: list[Said]) -> tuple[list[Mark], list[Adjudication]]:
    """The same as marks and adjudications numbered by their place in the list."""
    marks: list[Mark] = []
    adjudications: list[Adjudication] = []
    for number, row in enumerate(said):
        group = row.reason if row.answer == "reject" else row.group
        if isinstance(row, AdjudicationRow):
            adjudications.append(Adjudication(number, str(row.reader_id), row.answer, group))
        else:
            marks.append(Mark(number, str(row.reader_id), row.answer, group))
    return marks, adjudications
