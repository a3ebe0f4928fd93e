"""Where readers are in pictures, and what has been on their screens."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.models import ReadingPlace, utc_now


def find_place(session: Session, *, image_id: int, reader_id: int) -> ReadingPlace | None:
    """A reader's place in an image, if it was ever read."""
    wanted = select(ReadingPlace).where(
        ReadingPlace.image_id == image_id, ReadingPlace.reader_id == reader_id
    )
    return session.scalar(wanted)


def keep_place(
    session: Session, *, image_id: int, reader_id: int, finest: str, place: dict[str, Any] | None
) -> ReadingPlace:
    """A reader's place as it is now; without a new `place` the old one stays."""
    row = find_place(session, image_id=image_id, reader_id=reader_id)
    if row is None:
        row = ReadingPlace(image_id=image_id, reader_id=reader_id, place=None)
        session.add(row)
    row.finest, row.place, row.changed_at = finest, place or row.place, utc_now()
    session.flush()
    return row
