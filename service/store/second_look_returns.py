"""Second looks given back: from then on they wait for whoever is free again."""

from __future__ import annotations

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.errors import ConflictError, NotAllowedError
from service.store.models import (
    CandidateRow,
    Image,
    MarkRow,
    MarkWithdrawal,
    Preparation,
    Read,
    ReadLock,
    SecondLookClaim,
    SecondLookReturn,
)
from service.store.specimens import SecondLookState, read_open_look


def return_second_look(
    session: Session, *, look_id: int, returned_by: int, may_return_any: bool
) -> SecondLookState:
    """Give a second look back, so that another reader takes it; it waits since it was asked for.

    Parameters
    ----------
    may_return_any : bool
        Whether this person may give back what another reader took.

    Raises
    ------
    MissingError
        If there is no such second look.
    NotAllowedError
        If another reader took it, and this person may not give that back.
    ConflictError
        If it is closed, nobody took it, or its reader has answered in it: these answers would be of a read
        that was never finished.
    """
    state = read_open_look(session, look_id)
    if state.claim is None:
        raise ConflictError(
            "Nobody has taken this second look, so it can't be given back. It waits for whoever is free."
            if state.reader_id is None
            else "This second look was asked of one reader by name, so it can't be given back. Say that it "
            "is done, and ask whoever is free."
        )
    if state.claim.reader_id != returned_by and not may_return_any:
        raise NotAllowedError(
            "Another reader has this second look; that reader or a veterinarian gives it back."
        )
    _refuse_answered(session, state.look.specimen_id, state.claim)
    session.add(SecondLookReturn(claim_id=state.claim.id, returned_by=returned_by))
    session.flush()
    return SecondLookState(state.look, None)


def _refuse_answered(session: Session, specimen_id: int, claim: SecondLookClaim) -> None:
    images = select(Image.id).join(Preparation).where(Preparation.specimen_id == specimen_id)
    locked = (
        select(ReadLock.id)
        .join(Read)
        .where(Read.image_id.in_(images), Read.reader_id == claim.reader_id)
        .where(ReadLock.locked_at >= claim.claimed_at)
    )
    if session.scalar(locked.limit(1)) is not None:
        raise ConflictError(
            "An unaided read was locked in this second look, so it can't be given back. Say that it is done."
        )
    marked = (
        select(func.count(MarkRow.candidate_id.distinct()))
        .join(CandidateRow, CandidateRow.id == MarkRow.candidate_id)
        .outerjoin(MarkWithdrawal, MarkWithdrawal.mark_id == MarkRow.id)
        .where(CandidateRow.image_id.in_(images), MarkRow.reader_id == claim.reader_id)
        .where(MarkRow.created_at >= claim.claimed_at, MarkWithdrawal.id.is_(None))
    )
    if n_marked := session.scalar(marked) or 0:
        objects = "1 object was" if n_marked == 1 else f"{n_marked} objects were"
        raise ConflictError(
            f"{objects} marked in this second look. Its reader takes these marks back before it is given "
            "back, or says that it is done."
        )
