"""Candidates, and what readers say of them: reads, marks, adjudications."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.errors import ConflictError, MissingError, NotAllowedError
from service.store.images import newest_proposals
from service.store.models import (
    AdjudicationRow,
    CandidateRow,
    MarkRow,
    Read,
    ReadLock,
    Showing,
    utc_now,
)


@dataclass(frozen=True)
class Spoken:
    """A candidate with every mark and adjudication it has, oldest first."""

    candidate: CandidateRow
    marks: tuple[MarkRow, ...]
    adjudications: tuple[AdjudicationRow, ...]


@dataclass(frozen=True)
class ReadState:
    """A read with its lock, if any."""

    read: Read
    lock: ReadLock | None

    @property
    def is_withholding(self) -> bool:
        """Whether the reader must not see candidates yet."""
        return self.read.mode == "unaided" and self.lock is None


def read_candidate(session: Session, candidate_id: int) -> CandidateRow:
    """The candidate with that id."""
    candidate = session.get(CandidateRow, candidate_id)
    if candidate is None:
        raise MissingError(f"There is no candidate {candidate_id}.")
    return candidate


def list_spoken(session: Session, image_ids: Sequence[int]) -> list[Spoken]:
    """Candidates of the newest proposal of each image and reader-added objects, in rank order."""
    proposals = [row.id for row in newest_proposals(session, image_ids).values()]
    wanted = (
        select(CandidateRow)
        .where(CandidateRow.image_id.in_(image_ids))
        .where(or_(CandidateRow.proposal_id.in_(proposals), CandidateRow.proposal_id.is_(None)))
        .order_by(CandidateRow.image_id, CandidateRow.rank, CandidateRow.id)
    )
    return _with_marks(session, list(session.scalars(wanted)))


def spoken_of(session: Session, candidate: CandidateRow) -> Spoken:
    """One candidate with its marks and adjudications."""
    return _with_marks(session, [candidate])[0]


def _with_marks(session: Session, candidates: list[CandidateRow]) -> list[Spoken]:
    marks: dict[int, list[MarkRow]] = {candidate.id: [] for candidate in candidates}
    adjudications: dict[int, list[AdjudicationRow]] = {candidate.id: [] for candidate in candidates}
    images = {candidate.image_id for candidate in candidates}
    in_images = select(CandidateRow.id).where(CandidateRow.image_id.in_(images))
    for mark in session.scalars(
        select(MarkRow).where(MarkRow.candidate_id.in_(in_images)).order_by(MarkRow.id)
    ):
        if mark.candidate_id in marks:
            marks[mark.candidate_id].append(mark)
    for adjudication in session.scalars(
        select(AdjudicationRow)
        .where(AdjudicationRow.candidate_id.in_(in_images))
        .order_by(AdjudicationRow.id)
    ):
        if adjudication.candidate_id in adjudications:
            adjudications[adjudication.candidate_id].append(adjudication)
    return [Spoken(row, tuple(marks[row.id]), tuple(adjudications[row.id])) for row in candidates]


def add_object(session: Session, candidate: CandidateRow) -> CandidateRow:
    """A reader-added object."""
    session.add(candidate)
    session.flush()
    return candidate


def add_mark(session: Session, mark: MarkRow) -> MarkRow:
    """A reader's answer, pointing at that reader's answer before it.

    Raises
    ------
    ConflictError
        If `replaces` is given and is not that reader's newest mark of this candidate.
    """
    last = session.scalar(
        select(MarkRow.id)
        .where(MarkRow.candidate_id == mark.candidate_id, MarkRow.reader_id == mark.reader_id)
        .order_by(MarkRow.id.desc())
        .limit(1)
    )
    if mark.replaces is not None and mark.replaces != last:
        raise ConflictError(
            f"Mark {mark.replaces} is not your newest mark of candidate {mark.candidate_id}; "
            f"that is {last}. Load the candidate again."
        )
    mark.replaces = last
    session.add(mark)
    session.flush()
    return mark


def add_adjudication(session: Session, adjudication: AdjudicationRow) -> AdjudicationRow:
    """What settles differing marks, pointing at the adjudication before it."""
    adjudication.replaces = session.scalar(
        select(AdjudicationRow.id)
        .where(AdjudicationRow.candidate_id == adjudication.candidate_id)
        .order_by(AdjudicationRow.id.desc())
        .limit(1)
    )
    session.add(adjudication)
    session.flush()
    return adjudication


def note_showing(session: Session, *, image_id: int, reader_id: int) -> None:
    """Remember that a reader was shown an image's candidates."""
    if not was_shown(session, image_id=image_id, reader_id=reader_id):
        session.add(Showing(image_id=image_id, reader_id=reader_id))


def was_shown(session: Session, *, image_id: int, reader_id: int) -> bool:
    """Whether a reader was ever shown an image's candidates."""
    wanted = select(Showing.id).where(Showing.image_id == image_id, Showing.reader_id == reader_id)
    return session.scalar(wanted) is not None


def add_read(session: Session, *, image_id: int, reader_id: int, mode: str) -> Read:
    """Start a read.

    Raises
    ------
    ConflictError
        If this reader's unaided read of the image is not locked yet.
    """
    if is_withheld(session, image_id=image_id, reader_id=reader_id):
        raise ConflictError("Your unaided read of this image is open. Lock it before you start another.")
    return _start_read(session, image_id=image_id, reader_id=reader_id, mode=mode)


def continue_read(session: Session, *, image_id: int, reader_id: int) -> Read:
    """The read that a mark made now belongs to; an aided one begins where none is open."""
    states = list_reads(session, [image_id], reader_id=reader_id)
    if states and states[-1].lock is None:
        return states[-1].read
    return _start_read(session, image_id=image_id, reader_id=reader_id, mode="aided")


def is_withheld(session: Session, *, image_id: int, reader_id: int) -> bool:
    """Whether a reader's unaided read of an image is open."""
    return any(state.is_withholding for state in list_reads(session, [image_id], reader_id=reader_id))


def _start_read(session: Session, *, image_id: int, reader_id: int, mode: str) -> Read:
    read = Read(
        image_id=image_id,
        reader_id=reader_id,
        mode=mode,
        shown_before=was_shown(session, image_id=image_id, reader_id=reader_id),
    )
    session.add(read)
    session.flush()
    return read


def reads_to_show(session: Session, *, image_ids: Sequence[int], reader_id: int) -> dict[int, ReadState]:
    """A reader's newest read of each image that has one; an unaided one goes before those that followed."""
    states = list_reads(session, image_ids, reader_id=reader_id)
    states.sort(key=lambda state: (state.read.mode == "unaided", state.read.id))
    return {state.read.image_id: state for state in states}


def list_reads(
    session: Session, image_ids: Sequence[int], *, reader_id: int | None = None
) -> list[ReadState]:
    """The reads of some images, of one reader or of all, oldest first."""
    wanted = select(Read, ReadLock).outerjoin(ReadLock).where(Read.image_id.in_(image_ids)).order_by(Read.id)
    if reader_id is not None:
        wanted = wanted.where(Read.reader_id == reader_id)
    return [ReadState(read, lock) for read, lock in session.execute(wanted)]


def lock_read(session: Session, *, read_id: int, reader_id: int) -> ReadLock:
    """End a reader's own unaided read.

    Raises
    ------
    MissingError
        If there is no such read.
    NotAllowedError
        If it is somebody else's.
    ConflictError
        If it is locked already, or aided.
    """
    read = session.get(Read, read_id, with_for_update=True)
    if read is None:
        raise MissingError(f"There is no read {read_id}.")
    if read.reader_id != reader_id:
        raise NotAllowedError("Only its own reader may lock a read.")
    if read.mode != "unaided":
        raise ConflictError(f"Read {read_id} is aided; only an unaided read is locked.")
    if session.scalar(select(ReadLock.id).where(ReadLock.read_id == read_id)) is not None:
        raise ConflictError(f"Read {read_id} is locked already.")
    lock = ReadLock(read_id=read_id, locked_at=utc_now())
    session.add(lock)
    session.flush()
    return lock
