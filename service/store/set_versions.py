"""What each labelled set was chosen by, what it holds, and the hashes that freeze it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, String, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from service.store.models import Base, utc_now


class SetVersion(Base):
    """The frozen side of a labelled set: its rule, a report of its content, and the hashes of its files."""

    __tablename__ = "labelled_set_versions"
    id: Mapped[int] = mapped_column(primary_key=True)
    set_id: Mapped[int] = mapped_column(ForeignKey("labelled_sets.id"), unique=True)
    rule: Mapped[dict[str, Any]]
    report: Mapped[dict[str, Any]]
    manifest_sha256: Mapped[str] = mapped_column(String(64))
    zip_sha256: Mapped[str] = mapped_column(String(64))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)


def add_version(session: Session, **values: Any) -> SetVersion:
    """Remember what a labelled set holds."""
    row = SetVersion(**values)
    session.add(row)
    session.flush()
    return row


def find_version(session: Session, set_id: int) -> SetVersion | None:
    """What a labelled set holds; None for sets made before that was kept."""
    return session.scalar(select(SetVersion).where(SetVersion.set_id == set_id))
