"""Stitchings: which pictures of a preparation are to become one, and what came of it."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import MissingError
from service.store.models import Stitching

OPEN_STATES = ("waiting", "stitching")


def add_stitching(session: Session, **values: Any) -> Stitching:
    """A new stitching, waiting."""
    row = Stitching(**values)
    session.add(row)
    session.flush()
    return row


def read_stitching(session: Session, stitching_id: int, *, is_locked: bool = False) -> Stitching:
    """The stitching with that id.

    Raises
    ------
    MissingError
        If there is none.
    """
    row = session.get(Stitching, stitching_id, with_for_update=is_locked or None)
    if row is None:
        raise MissingError(f"There is no stitching {stitching_id}.")
    return row


def list_stitchings(session: Session, preparation_id: int) -> list[Stitching]:
    """The stitchings of a preparation, oldest first."""
    wanted = select(Stitching).where(Stitching.preparation_id == preparation_id)
    return list(session.scalars(wanted.order_by(Stitching.id)))


def find_of_mosaic(session: Session, image_id: int) -> Stitching | None:
    """The newest stitching that made this image."""
    wanted = select(Stitching).where(Stitching.image_id == image_id)
    return session.scalar(wanted.order_by(Stitching.id.desc()).limit(1))


def list_open(session: Session) -> list[Stitching]:
    """Stitchings that have not ended, oldest first."""
    wanted = select(Stitching).where(Stitching.state.in_(OPEN_STATES))
    return list(session.scalars(wanted.order_by(Stitching.id)))
