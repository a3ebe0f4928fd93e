"""Uploads that come in parts, and what became of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import MissingError
from service.store.models import Upload, utc_now

# receiving: bytes are missing. checking: all are there and are decoded once. held: no room on the disk, the
# bytes wait. stored, refused, cancelled, expired: the end.
OPEN_STATES = ("receiving", "checking", "held")


def add_upload(session: Session, **values: Any) -> Upload:
    """A new upload, of which nothing has come yet."""
    upload = Upload(**values)
    session.add(upload)
    session.flush()
    return upload


def read_upload(session: Session, upload_id: int) -> Upload:
    """The upload with that id."""
    upload = session.get(Upload, upload_id)
    if upload is None:
        raise MissingError(f"There is no upload {upload_id}.")
    return upload


def change_upload(session: Session, upload_id: int, **values: Any) -> Upload:
    """Set columns of an upload."""
    upload = read_upload(session, upload_id)
    for name, value in {**values, "changed_at": utc_now()}.items():
        setattr(upload, name, value)
    session.flush()
    return upload


def list_open_uploads(session: Session, *, preparation_id: int | None = None) -> Sequence[Upload]:
    """Uploads that have not ended, oldest first; of one preparation or of all."""
    wanted = select(Upload).where(Upload.state.in_(OPEN_STATES)).order_by(Upload.id)
    if preparation_id is not None:
        wanted = wanted.where(Upload.preparation_id == preparation_id)
    return session.scalars(wanted).all()
