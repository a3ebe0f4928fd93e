"""One-time links: invitations, and new passwords for those who lost theirs."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, select, update
from sqlalchemy.orm import Session

from service.errors import MissingError
from service.store.models import OneTimeLink, utc_now


def add_link(session: Session, **values: Any) -> OneTimeLink:
    """A new link."""
    link = OneTimeLink(**values)
    session.add(link)
    session.flush()
    return link


def find_link(session: Session, token_hash: str, *, is_locked: bool = False) -> OneTimeLink | None:
    """The link with that secret, if it still lets somebody in."""
    wanted = select(OneTimeLink).where(OneTimeLink.token_hash == token_hash, _is_open())
    return session.scalar(wanted.with_for_update() if is_locked else wanted)


def list_invitations(session: Session) -> list[OneTimeLink]:
    """Invitations that nobody has used yet, oldest first."""
    wanted = select(OneTimeLink).where(OneTimeLink.kind == "invitation", _is_open())
    return list(session.scalars(wanted.order_by(OneTimeLink.id)))


def end_invitation(session: Session, invitation_id: int) -> None:
    """Take an invitation back.

    Raises
    ------
    MissingError
        If there is none that is open.
    """
    wanted = (OneTimeLink.id == invitation_id) & (OneTimeLink.kind == "invitation")
    link = session.scalar(select(OneTimeLink).where(wanted & _is_open()))
    if link is None:
        raise MissingError(f"There is no open invitation {invitation_id}.")
    link.ended_at = utc_now()


def end_links_of(session: Session, user_id: int) -> None:
    """Let no older link for a new password of that person work."""
    wanted = (OneTimeLink.user_id == user_id) & OneTimeLink.ended_at.is_(None)
    session.execute(update(OneTimeLink).where(wanted).values(ended_at=utc_now()))


def _is_open() -> ColumnElement[bool]:
    return OneTimeLink.ended_at.is_(None) & (OneTimeLink.expires_at > utc_now())
