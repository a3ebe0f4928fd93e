"""Marks that say something else than a locked unaided read, each with what was said before.

A reader who has seen the proposals may change what was found alone. Each change keeps its direction: toward
the tool, away from it, or neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store import reading
from service.store.models import CandidateRow, ChangeAfterLock, MarkRow
from service.store.reading import Spoken
from triage.boxes import Floats
from triage.match_finds import match_finds

TOWARD, AWAY, NEITHER = "toward_tool", "away_from_tool", "neither"


@dataclass(frozen=True)
class Pairs:
    """Own finds and the tool's of one image; `pairs` says which are the same object, as two ids."""

    own: tuple[Spoken, ...]
    tool: tuple[Spoken, ...]
    pairs: tuple[tuple[int, int], ...]

    def partner_of(self, candidate_id: int) -> Spoken | None:
        """The other side of a pair that a candidate is in."""
        for own_id, tool_id in self.pairs:
            if candidate_id in (own_id, tool_id):
                wanted = own_id + tool_id - candidate_id
                return next(one for one in (*self.own, *self.tool) if one.candidate.id == wanted)
        return None


def pair_finds(session: Session, *, image_id: int, reader_id: int, until: datetime | None = None) -> Pairs:
    """A reader's own finds, those drawn until a moment only, beside the tool's candidates of an image."""
    spoken = reading.list_spoken(session, [image_id])
    own = tuple(
        one
        for one in spoken
        if one.candidate.drawn_by == reader_id and (until is None or one.candidate.created_at <= until)
    )
    tool = tuple(one for one in spoken if one.candidate.origin == "tool")
    found = match_finds(boxes_of(own), boxes_of(tool))
    return Pairs(own, tool, tuple((own[a].candidate.id, tool[b].candidate.id) for a, b in found))


def boxes_of(spoken: Sequence[Spoken]) -> Floats:
    """Pixel edges of the boxes of some candidates, shape (N, 4)."""
    xywh = np.array([one.candidate.said["bbox"] for one in spoken], dtype=np.float64).reshape(-1, 4)
    return np.column_stack([xywh[:, :2], xywh[:, :2] + xywh[:, 2:]])


def note_change(session: Session, mark: MarkRow) -> ChangeAfterLock | None:
    """Record a mark that differs from what its reader said before; None without a locked read or change."""
    candidate = reading.read_candidate(session, mark.candidate_id)
    image_id = candidate.image_id
    state = reading.locked_unaided(session, image_id=image_id, reader_id=mark.reader_id)
    if state is None or state.lock is None:
        return None
    pairs = pair_finds(session, image_id=image_id, reader_id=mark.reader_id, until=state.lock.locked_at)
    before = _before(reading.spoken_of(session, candidate), pairs, mark)
    was, now, tool = _says(before), _says(mark), _tool_says(candidate, pairs)
    if was == now:
        return None
    row = ChangeAfterLock(
        mark_id=mark.id,
        read_id=state.read.id,
        before_answer=None if before is None else before.answer,
        before_group=None if before is None else before.reason or before.group,
        direction=TOWARD if now == tool else AWAY if was == tool else NEITHER,
    )
    session.add(row)
    session.flush()
    return row


def _before(spoken: Spoken, pairs: Pairs, mark: MarkRow) -> MarkRow | None:
    """What the reader said of this object last: of the candidate itself, or of the own find at its place."""
    partner = pairs.partner_of(mark.candidate_id)
    said = [*spoken.marks, *(() if partner is None else partner.marks)]
    own = [one for one in said if one.reader_id == mark.reader_id and one.id < mark.id]
    return max(own, key=lambda one: one.id, default=None)


def _says(mark: MarkRow | None) -> str | None:
    """The group that a mark finds, None where it finds nothing, or that it is unsure."""
    if mark is None or mark.answer == "reject":
        return None
    return mark.group if mark.answer == "confirm" else mark.answer


def _tool_says(candidate: CandidateRow, pairs: Pairs) -> str | None:
    if candidate.origin == "tool":
        return candidate.group
    partner = pairs.partner_of(candidate.id)
    return None if partner is None else partner.candidate.group


def list_changes(session: Session, read_id: int) -> list[tuple[ChangeAfterLock, MarkRow]]:
    """The changes after a read's lock with the marks that made them, oldest first."""
    wanted = (
        select(ChangeAfterLock, MarkRow)
        .join(MarkRow, MarkRow.id == ChangeAfterLock.mark_id)
        .where(ChangeAfterLock.read_id == read_id)
        .order_by(ChangeAfterLock.id)
    )
    return [(change, mark) for change, mark in session.execute(wanted)]
