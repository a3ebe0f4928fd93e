"""Marks that their readers took back; the marks stay on record."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import ConflictError, MissingError, NotAllowedError
from service.store.models import MarkRow, MarkWithdrawal, Read, ReadLock


def withdraw_mark(session: Session, *, mark_id: int, reader_id: int) -> MarkRow:
    """Take back an own mark; the one before it holds again, if there is one.

    Raises
    ------
    MissingError
        If there is no such mark.
    NotAllowedError
        If it is another reader's.
    ConflictError
        If it was taken back already, is not the newest, or belongs to a locked unaided read.
    """
    mark = session.get(MarkRow, mark_id)
    if mark is None:
        raise MissingError(f"There is no mark {mark_id}.")
    if mark.reader_id != reader_id:
        raise NotAllowedError("Only its own reader may take a mark back.")
    standing = _standing_ids(session, candidate_id=mark.candidate_id, reader_id=reader_id)
    if mark_id not in standing:
        raise ConflictError(f"Mark {mark_id} was taken back already.")
    if mark_id != standing[-1]:
        raise ConflictError(
            f"Mark {mark_id} is not your newest mark of candidate {mark.candidate_id}; "
            f"that is {standing[-1]}."
        )
    if _is_locked(session, mark):
        raise ConflictError(
            f"Mark {mark_id} belongs to your locked unaided read, which stays as it is. "
            "Give a new mark instead."
        )
    session.add(MarkWithdrawal(mark_id=mark_id))
    session.flush()
    return mark


def withdrawn_ids(session: Session, mark_ids: list[int]) -> set[int]:
    """Those of some marks that were taken back."""
    return set(session.scalars(select(MarkWithdrawal.mark_id).where(MarkWithdrawal.mark_id.in_(mark_ids))))


def _standing_ids(session: Session, *, candidate_id: int, reader_id: int) -> list[int]:
    wanted = (
        select(MarkRow.id)
        .outerjoin(MarkWithdrawal, MarkWithdrawal.mark_id == MarkRow.id)
        .where(MarkRow.candidate_id == candidate_id, MarkRow.reader_id == reader_id)
        .where(MarkWithdrawal.id.is_(None))
        .order_by(MarkRow.id)
    )
    return list(session.scalars(wanted))


def _is_locked(session: Session, mark: MarkRow) -> bool:
    wanted = select(ReadLock.id).join(Read).where(Read.id == mark.read_id, Read.mode == "unaided")
    return session.scalar(wanted) is not None
