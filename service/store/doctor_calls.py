"""Objects that a reader can't place, and what veterinarians say to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import ConflictError, MissingError
from service.store.models import (
    CandidateRow,
    DoctorCall,
    DoctorCallAnswer,
    Image,
    Preparation,
    Specimen,
)


@dataclass(frozen=True)
class CallState:
    """A call with its answer, if any."""

    call: DoctorCall
    answer: DoctorCallAnswer | None
    image_id: int


def add_call(session: Session, *, candidate: CandidateRow, words: str, user_id: int) -> CallState:
    """A new call.

    Raises
    ------
    ConflictError
        If one is open for this candidate.
    """
    if any(
        state.answer is None and state.call.candidate_id == candidate.id
        for state in list_calls(session, image_ids=[candidate.image_id])
    ):
        raise ConflictError(f"The veterinarians were called to candidate {candidate.id} already.")
    call = DoctorCall(candidate_id=candidate.id, words=words, created_by=user_id)
    session.add(call)
    session.flush()
    return CallState(call, None, candidate.image_id)


def list_calls(session: Session, *, image_ids: Sequence[int] | None = None) -> list[CallState]:
    """Calls of some images, or of all, oldest first."""
    wanted = (
        select(DoctorCall, DoctorCallAnswer, CandidateRow.image_id)
        .join(CandidateRow, CandidateRow.id == DoctorCall.candidate_id)
        .join(Image, Image.id == CandidateRow.image_id)
        .join(Preparation, Preparation.id == Image.preparation_id)
        .join(Specimen, Specimen.id == Preparation.specimen_id)
        .outerjoin(DoctorCallAnswer, DoctorCallAnswer.call_id == DoctorCall.id)
        .order_by(DoctorCall.id)
    )
    if image_ids is not None:
        wanted = wanted.where(CandidateRow.image_id.in_(image_ids))
    return [CallState(call, answer, image_id) for call, answer, image_id in session.execute(wanted)]


def list_open_calls(session: Session) -> list[CallState]:
    """Calls that nobody answered yet, oldest first."""
    return [state for state in list_calls(session) if state.answer is None]


def read_call(session: Session, call_id: int) -> DoctorCall:
    """The call with that id.

    Raises
    ------
    MissingError
        If there is none.
    """
    call = session.get(DoctorCall, call_id, with_for_update=True)
    if call is None:
        raise MissingError(f"There is no call {call_id}.")
    return call


def add_answer(session: Session, *, call_id: int, words: str, user_id: int) -> DoctorCallAnswer:
    """What a veterinarian says; it ends the call.

    Raises
    ------
    ConflictError
        If it was answered already.
    """
    if session.scalar(select(DoctorCallAnswer.id).where(DoctorCallAnswer.call_id == call_id)) is not None:
        raise ConflictError(f"Call {call_id} is answered already.")
    answer = DoctorCallAnswer(call_id=call_id, words=words, created_by=user_id)
    session.add(answer)
    session.flush()
    return answer
