"""Which machines were alive when: each that works on jobs says so again and again."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CursorResult, delete, select, update
from sqlalchemy.orm import Session

from service.store.models import Machine


def note_alive(session: Session, name: str, at: datetime) -> None:
    """Say that a machine is alive."""
    session.merge(Machine(name=name, alive_at=at))


def list_silent(session: Session, *, since: datetime) -> list[str]:
    """Machines that were not heard of since then, by name."""
    wanted = select(Machine.name).where(Machine.alive_at < since).order_by(Machine.name)
    return list(session.scalars(wanted))


def claim_silent(session: Session, name: str, *, since: datetime, at: datetime) -> bool:
    """Whether the caller alone takes over from a machine, which is silent again if the caller dies."""
    wanted = update(Machine).where(Machine.name == name, Machine.alive_at < since).values(alive_at=at)
    result = session.execute(wanted)
    assert isinstance(result, CursorResult)
    return result.rowcount == 1


def forget(session: Session, name: str, *, claimed_at: datetime) -> None:
    """Forget a machine that was taken over from, unless it has been heard of since."""
    session.execute(delete(Machine).where(Machine.name == name, Machine.alive_at == claimed_at))
