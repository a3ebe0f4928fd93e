"""Readers' answers, and what settles them where they differ."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.accounts import has_role
from service.dependencies import DatabaseDep, IdPath, ReaderDep
from service.drawn_alone import find_drawn_alone
from service.errors import ConflictError, NotAllowedError
from service.present import view_for
from service.routes.candidates import check_group, refuse_if_withheld
from service.schemas import AdjudicationIn, MarkIn, MarkOut
from service.settle import is_unsettled
from service.store import changes, reading, specimens, withdrawals
from service.store.database import Session
from service.store.models import AdjudicationRow, CandidateRow, MarkRow, User
from service.store.reading import Spoken
from triage.errors import RecordError
from triage.groups import look_alikes

router = APIRouter(tags=["marks"])


@router.post("/candidates/{candidate_id}/marks", status_code=status.HTTP_201_CREATED)
def add_mark(candidate_id: IdPath, body: MarkIn, user: ReaderDep, database: DatabaseDep) -> MarkOut:
    """Say what a candidate is; your earlier mark stays on record, replaced by this one."""
    with database.write() as session:
        row = open_candidate(session, candidate_id)
        refuse_if_withheld(session, row, user.id)
        answer = checked_answer(body, row)
        read = reading.continue_read(session, image_id=row.image_id, reader_id=user.id)
        mark = MarkRow(
            **answer, candidate_id=row.id, reader_id=user.id, read_id=read.id, replaces=body.replaces
        )
        reading.add_mark(session, mark)
        changes.note_change(session, mark)
        return view_for(session, user).mark(mark)


@router.post("/marks/{mark_id}/withdrawal")
def withdraw_mark(mark_id: IdPath, user: ReaderDep, database: DatabaseDep) -> MarkOut:
    """Take back your newest mark of a candidate; it stays on record, and the one before it holds again."""
    with database.write() as session:
        row = open_candidate(session, reading.read_mark(session, mark_id).candidate_id)
        refuse_if_withheld(session, row, user.id)
        mark = withdrawals.withdraw_mark(session, mark_id=mark_id, reader_id=user.id)
        return view_for(session, user).mark(mark)


@router.post("/candidates/{candidate_id}/adjudications", status_code=status.HTTP_201_CREATED)
def adjudicate(candidate_id: IdPath, body: AdjudicationIn, user: ReaderDep, database: DatabaseDep) -> MarkOut:
    """Settle marks that differ: by a veterinarian, or by a reader whose mark is not among them."""
    with database.write() as session:
        row = open_candidate(session, candidate_id)
        refuse_if_withheld(session, row, user.id)
        _refuse_adjudicator(session, reading.spoken_of(session, row), user)
        adjudication = AdjudicationRow(**checked_answer(body, row), candidate_id=row.id, reader_id=user.id)
        return view_for(session, user).mark(reading.add_adjudication(session, adjudication))


def open_candidate(session: Session, candidate_id: int) -> CandidateRow:
    """A candidate of a specimen that is not signed off, which stays so until the block ends."""
    row = reading.read_candidate(session, candidate_id)
    specimen = specimens.specimen_of_image(session, row.image_id, is_locked=True)
    specimens.refuse_if_signed_off(session, specimen)
    return row


def checked_answer(body: MarkIn | AdjudicationIn, row: CandidateRow) -> dict[str, str | None]:
    """The columns of an answer; confirming without a group takes the candidate's."""
    if body.answer == "reject" and body.reason not in look_alikes():
        raise RecordError(
            f"A rejection needs a reason; received {body.reason!r}. Use one of: {', '.join(look_alikes())}."
        )
    if body.answer != "reject" and body.reason is not None:
        raise RecordError(
            f"A reason belongs to a rejection; the answer is {body.answer!r}. Leave the reason out."
        )
    if body.group is not None:
        check_group(body.group)
    group = body.group or row.group if body.answer == "confirm" else body.group
    return {"answer": body.answer, "group": group, "reason": body.reason, "remark": body.remark}


def _refuse_adjudicator(session: Session, spoken: Spoken, user: User) -> None:
    if not is_unsettled(spoken) and not _is_drawn_alone(session, spoken.candidate):
        raise ConflictError(
            f"The marks of candidate {spoken.candidate.id} do not differ, so nothing is to settle."
        )
    is_party = user.id in {mark.reader_id for mark in spoken.marks}
    if is_party and not has_role(user, "veterinarian"):
        raise NotAllowedError(
            "Your own mark is among those that differ. Ask another reader or a veterinarian."
        )


def _is_drawn_alone(session: Session, row: CandidateRow) -> bool:
    specimen = specimens.specimen_of_image(session, row.image_id)
    return any(one.spoken.candidate.id == row.id for one in find_drawn_alone(session, specimen.id))
