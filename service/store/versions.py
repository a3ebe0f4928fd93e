"""Signed versions of a specimen's record, and the amendments that lead from one to the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, String, Text, UniqueConstraint, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from service.errors import ConflictError
from service.store.models import Base, SignOff, utc_now

APPEND_ONLY = ("amendments", "record_versions")


class Amendment(Base):
    """Why somebody opened a signed specimen again; `number` is the version that it leads to."""

    __tablename__ = "amendments"
    __table_args__ = (UniqueConstraint("specimen_id", "number"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimens.id"))
    number: Mapped[int]
    reason: Mapped[str] = mapped_column(String(1000))
    opened_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    opened_at: Mapped[datetime] = mapped_column(default=utc_now)


class RecordVersion(Base):
    """What a specimen's record said when it was signed."""

    __tablename__ = "record_versions"
    __table_args__ = (UniqueConstraint("specimen_id", "number"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimens.id"))
    number: Mapped[int]
    signed_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    signed_at: Mapped[datetime] = mapped_column(default=utc_now)
    remark: Mapped[str | None] = mapped_column(Text)
    content: Mapped[dict[str, Any]]


@dataclass(frozen=True)
class Signed:
    """The signature that holds: of the newest version, while no amendment is open."""

    specimen_id: int
    number: int
    reader_id: int
    created_at: datetime
    remark: str | None


def find_signed(session: Session, specimen_ids: Sequence[int] | None = None) -> dict[int, Signed]:
    """The signature of each specimen (None: of all) that is signed and has no open amendment."""
    first = select(SignOff).order_by(SignOff.specimen_id)
    later = select(RecordVersion).order_by(RecordVersion.number)
    opened = select(Amendment)
    if specimen_ids is not None:
        first = first.where(SignOff.specimen_id.in_(specimen_ids))
        later = later.where(RecordVersion.specimen_id.in_(specimen_ids))
        opened = opened.where(Amendment.specimen_id.in_(specimen_ids))
    signed = {
        row.specimen_id: Signed(row.specimen_id, 1, row.reader_id, row.created_at, row.remark)
        for row in session.scalars(first)
    }
    for row in session.scalars(later):
        if row.number > 1:
            signed[row.specimen_id] = Signed(
                row.specimen_id, row.number, row.signed_by, row.signed_at, row.remark
            )
    for amendment in session.scalars(opened):
        if amendment.specimen_id in signed and amendment.number > signed[amendment.specimen_id].number:
            del signed[amendment.specimen_id]
    return signed


def list_versions(session: Session, specimen_id: int) -> list[RecordVersion]:
    """The versions that were signed, oldest first."""
    wanted = select(RecordVersion).where(RecordVersion.specimen_id == specimen_id)
    return list(session.scalars(wanted.order_by(RecordVersion.number)))


def list_amendments(session: Session, specimen_id: int) -> list[Amendment]:
    """The amendments that were opened, oldest first."""
    wanted = select(Amendment).where(Amendment.specimen_id == specimen_id)
    return list(session.scalars(wanted.order_by(Amendment.number)))


def find_open_amendment(session: Session, specimen_id: int) -> Amendment | None:
    """The amendment that no version has followed yet."""
    numbers = {row.number for row in list_versions(session, specimen_id)}
    return next((row for row in list_amendments(session, specimen_id) if row.number not in numbers), None)


def open_amendment(
    session: Session, *, specimen_id: int, opened_by: int, reason: str, content: dict[str, Any]
) -> Amendment:
    """Open a signed specimen again; `content` is what its record says now.

    Raises
    ------
    ConflictError
        If it is not signed, or open already.
    """
    signed = find_signed(session, [specimen_id]).get(specimen_id)
    if signed is None:
        raise ConflictError(
            "Only a signed specimen is amended; this one is not signed off, or an amendment is open already."
        )
    # Specimens that were signed before versions were kept have none yet.
    if not list_versions(session, specimen_id):
        session.add(
            RecordVersion(
                specimen_id=specimen_id,
                number=1,
                signed_by=signed.reader_id,
                signed_at=signed.created_at,
                remark=signed.remark,
                content=content,
            )
        )
    row = Amendment(specimen_id=specimen_id, number=signed.number + 1, reason=reason, opened_by=opened_by)
    session.add(row)
    session.flush()
    return row


def add_version(
    session: Session, *, specimen_id: int, signed_by: int, remark: str | None, content: dict[str, Any]
) -> RecordVersion:
    """Sign a version: the first, or the one that the open amendment leads to."""
    amendment = find_open_amendment(session, specimen_id)
    row = RecordVersion(
        specimen_id=specimen_id,
        number=1 if amendment is None else amendment.number,
        signed_by=signed_by,
        remark=remark,
        content=content,
    )
    session.add(row)
    session.flush()
    if row.number == 1:
        first = SignOff(specimen_id=specimen_id, reader_id=signed_by, remark=remark, created_at=row.signed_at)
        session.add(first)
        session.flush()
    return row
