"""Objects unlike anything their reader knows: they go to the veterinarians' list."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.accounts import require_role
from service.dependencies import DatabaseDep, IdPath, ReaderDep
from service.present import View, is_blinded, view_for
from service.reading_schemas import CallIn, CallOut
from service.routes.candidates import refuse_if_withheld
from service.routes.marks import open_candidate
from service.store import changes, doctor_calls, reading, specimens
from service.store.database import Session
from service.store.doctor_calls import CallState
from service.store.models import CandidateRow, MarkRow, User

router = APIRouter(tags=["doctor calls"])


@router.post("/candidates/{candidate_id}/doctor-calls", status_code=status.HTTP_201_CREATED)
def call_doctor(candidate_id: IdPath, body: CallIn, user: ReaderDep, database: DatabaseDep) -> CallOut:
    """Call a veterinarian to an object; without a mark of yours it is marked unsure."""
    with database.write() as session:
        row = open_candidate(session, candidate_id)
        refuse_if_withheld(session, row, user.id)
        state = doctor_calls.add_call(session, candidate=row, words=body.words, user_id=user.id)
        _mark_unsure(session, row, user, body.words)
        return _present(view_for(session, user), state)


def _mark_unsure(session: Session, row: CandidateRow, user: User, words: str) -> None:
    if any(mark.reader_id == user.id for mark in reading.spoken_of(session, row).marks):
        return
    read = reading.continue_read(session, image_id=row.image_id, reader_id=user.id)
    mark = MarkRow(candidate_id=row.id, answer="unsure", remark=words, reader_id=user.id, read_id=read.id)
    changes.note_change(session, reading.add_mark(session, mark))


@router.get("/images/{image_id}/doctor-calls")
def list_calls(image_id: IdPath, user: ReaderDep, database: DatabaseDep) -> list[CallOut]:
    """The calls of an image, oldest first; only your own while you read blind or unaided."""
    with database.read() as session:
        specimen = specimens.specimen_of_image(session, image_id)
        view = view_for(session, user)
        sees_own_only = is_blinded(view, specimen.id) or reading.is_withheld(
            session, image_id=image_id, reader_id=user.id
        )
        return [
            _present(view, state)
            for state in doctor_calls.list_calls(session, image_ids=[image_id])
            if not sees_own_only or state.call.created_by == user.id
        ]


@router.post("/doctor-calls/{call_id}/answer", status_code=status.HTTP_201_CREATED)
def answer_call(call_id: IdPath, body: CallIn, user: ReaderDep, database: DatabaseDep) -> CallOut:
    """Say what you think of it, as a veterinarian; the mark that holds is given beside it, as always."""
    require_role(user, "veterinarian")
    with database.write() as session:
        call = doctor_calls.read_call(session, call_id)
        row = open_candidate(session, call.candidate_id)
        answer = doctor_calls.add_answer(session, call_id=call_id, words=body.words, user_id=user.id)
        return _present(view_for(session, user), CallState(call, answer, row.image_id))


def _present(view: View, state: CallState) -> CallOut:
    call, answer = state.call, state.answer
    return CallOut(
        id=call.id,
        candidate_id=call.candidate_id,
        image_id=state.image_id,
        words=call.words,
        created_by=view.person(call.created_by),
        created_at=call.created_at,
        answer=None if answer is None else answer.words,
        answered_by=None if answer is None else view.person(answer.created_by),
        answered_at=None if answer is None else answer.created_at,
    )
