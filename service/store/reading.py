"""Candidates, and what readers say of them: reads, marks, adjudications."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from service.errors import ConflictError, MissingError, NotAllowedError
from service.store import learners, reading_rules
from service.store.images import newest_proposals
from service.store.models import (
    AdjudicationRow,
    CandidateRow,
    Image,
    MarkRow,
    MarkWithdrawal,
    Preparation,
    Read,
    ReadLock,
    Showing,
    Specimen,
    utc_now,
)


@dataclass(frozen=True)
class Spoken:
    """A candidate with the marks and adjudications that hold, oldest first, and marks taken back."""

    candidate: CandidateRow
    marks: tuple[MarkRow, ...]
    adjudications: tuple[AdjudicationRow, ...]
    withdrawn: tuple[MarkRow, ...] = ()

    @property
    def is_taken_back(self) -> bool:
        """Whether a reader drew it and took that back before anybody else spoke."""
        is_silent = not self.marks and not self.adjudications
        return self.candidate.origin == "reader" and is_silent and bool(self.withdrawn)


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
    return [one for one in _with_marks(session, list(session.scalars(wanted))) if not one.is_taken_back]


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
    withdrawn = set(
        session.scalars(
            select(MarkWithdrawal.mark_id).join(MarkRow).where(MarkRow.candidate_id.in_(in_images))
        )
    )
    return [
        Spoken(
            row,
            tuple(mark for mark in marks[row.id] if mark.id not in withdrawn),
            tuple(adjudications[row.id]),
            tuple(mark for mark in marks[row.id] if mark.id in withdrawn),
        )
        for row in candidates
    ]


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


def read_mark(session: Session, mark_id: int) -> MarkRow:
    """The mark with that id.

    Raises
    ------
    MissingError
        If there is none.
    """
    mark = session.get(MarkRow, mark_id)
    if mark is None:
        raise MissingError(f"There is no mark {mark_id}.")
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
        If this reader's unaided read of the image is not locked yet, or the specimen is read unaided first
        and an aided one is asked for.
    """
    if has_open_unaided(session, image_id=image_id, reader_id=reader_id):
        raise ConflictError("Your unaided read of this image is open. Lock it before you start another.")
    if mode == "aided" and is_withheld(session, image_id=image_id, reader_id=reader_id):
        raise ConflictError(
            "This specimen is read unaided first. Start an unaided read and lock it, or ask a veterinarian "
            "to allow reading with proposals at once."
        )
    return _start_read(session, image_id=image_id, reader_id=reader_id, mode=mode)


def continue_read(session: Session, *, image_id: int, reader_id: int) -> Read:
    """The read that a mark made now belongs to; an aided one begins where none is open."""
    if is_withheld(session, image_id=image_id, reader_id=reader_id) and not has_open_unaided(
        session, image_id=image_id, reader_id=reader_id
    ):
        raise ConflictError("This specimen is read unaided first. Start an unaided read before you mark.")
    states = list_reads(session, [image_id], reader_id=reader_id)
    if states and states[-1].lock is None:
        return states[-1].read
    return _start_read(session, image_id=image_id, reader_id=reader_id, mode="aided")


def has_open_unaided(session: Session, *, image_id: int, reader_id: int) -> bool:
    """Whether a reader's unaided read of an image is open."""
    return any(state.is_withholding for state in list_reads(session, [image_id], reader_id=reader_id))


def locked_unaided(session: Session, *, image_id: int, reader_id: int) -> ReadState | None:
    """A reader's newest unaided read of an image that is locked."""
    states = [
        state
        for state in list_reads(session, [image_id], reader_id=reader_id)
        if state.read.mode == "unaided" and state.lock is not None
    ]
    return states[-1] if states else None


def is_withheld(session: Session, *, image_id: int, reader_id: int) -> bool:
    """Whether a reader must not see an image's candidates now."""
    return image_id in withheld_ids(session, [image_id], reader_id=reader_id)


def withheld_ids(session: Session, image_ids: Sequence[int], *, reader_id: int) -> set[int]:
    """Those of some images whose candidates a reader must not see now.

    They are withheld while the reader's unaided read is open, and before one is locked where the specimen is
    read unaided first. What is signed off is shown.
    """
    states = list_reads(session, image_ids, reader_id=reader_id)
    open_ids = {state.read.image_id for state in states if state.is_withholding}
    locked_ids = {state.read.image_id for state in states if state.read.mode == "unaided" and state.lock}
    return open_ids | (reading_rules.unaided_first_ids(session, image_ids) - locked_ids)


def _start_read(session: Session, *, image_id: int, reader_id: int, mode: str) -> Read:
    read = Read(
        image_id=image_id,
        reader_id=reader_id,
        mode=mode,
        shown_before=was_shown(session, image_id=image_id, reader_id=reader_id),
    )
    session.add(read)
    session.flush()
    learners.ask_second_look(session, image_id=image_id, reader_id=reader_id)
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


def read_read(session: Session, read_id: int) -> Read:
    """The read with that id.

    Raises
    ------
    MissingError
        If there is none.
    """
    read = session.get(Read, read_id)
    if read is None:
        raise MissingError(f"There is no read {read_id}.")
    return read


def locked_at(session: Session, read_id: int) -> datetime | None:
    """When an unaided read was locked; None if it wasn't."""
    return session.scalar(select(ReadLock.locked_at).where(ReadLock.read_id == read_id))


def list_marked_by_several(session: Session) -> list[int]:
    """Candidates that more than one reader marked."""
    wanted = (
        select(MarkRow.candidate_id)
        .join(CandidateRow, CandidateRow.id == MarkRow.candidate_id)
        .join(Image, Image.id == CandidateRow.image_id)
        .join(Preparation, Preparation.id == Image.preparation_id)
        .join(Specimen, Specimen.id == Preparation.specimen_id)
        .group_by(MarkRow.candidate_id)
        .having(func.count(func.distinct(MarkRow.reader_id)) > 1)
    )
    return list(session.scalars(wanted))


def list_drawn_in(session: Session) -> list[int]:
    """Specimens in which a reader drew an object."""
    wanted = (
        select(Specimen.id)
        .distinct()
        .join(Preparation, Preparation.specimen_id == Specimen.id)
        .join(Image, Image.preparation_id == Preparation.id)
        .join(CandidateRow, CandidateRow.image_id == Image.id)
        .where(CandidateRow.origin == "reader")
        .order_by(Specimen.id)
    )
    return list(session.scalars(wanted))


def list_marked_as(
    session: Session, name: str, *, but: int, limit: int
) -> list[tuple[CandidateRow, str, int]]:
    """Candidates other than `but` with a mark of that group or reason, the newest mark first.

    Each with the code and the number of its specimen.
    """
    wanted = (
        select(CandidateRow, Specimen.code, Specimen.id)
        .join(MarkRow, MarkRow.candidate_id == CandidateRow.id)
        .join(Image, Image.id == CandidateRow.image_id)
        .join(Preparation, Preparation.id == Image.preparation_id)
        .join(Specimen, Specimen.id == Preparation.specimen_id)
        .where(or_(MarkRow.group == name, MarkRow.reason == name), CandidateRow.id != but)
        .order_by(MarkRow.id.desc())
        .limit(limit)
    )
    return [(row, code, specimen_id) for row, code, specimen_id in session.execute(wanted)]
