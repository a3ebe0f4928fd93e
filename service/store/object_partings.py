"""Candidates that a person holds for two objects although they lie at one place of the coverslip."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.models import CandidateRow, Image, ObjectParting


def add_parting(session: Session, candidate_ids: tuple[int, int], *, created_by: int) -> ObjectParting:
    """Note that two candidates are two objects."""
    first, second = sorted(candidate_ids)
    row = ObjectParting(candidate_id=first, other_id=second, created_by=created_by)
    session.add(row)
    session.flush()
    return row


def list_parted(session: Session, preparation_id: int) -> frozenset[tuple[int, int]]:
    """Pairs of candidates of a preparation that were parted, the smaller id first."""
    wanted = (
        select(ObjectParting.candidate_id, ObjectParting.other_id)
        .join(CandidateRow, CandidateRow.id == ObjectParting.candidate_id)
        .join(Image, Image.id == CandidateRow.image_id)
        .where(Image.preparation_id == preparation_id)
    )
    return frozenset((first, second) for first, second in session.execute(wanted))
