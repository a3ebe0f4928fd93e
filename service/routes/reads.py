"""Reads: aided, or first unaided and then locked."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import DatabaseDep, IdPath, ReaderDep
from service.present import present_read
from service.schemas import LockOut, ReadIn, ReadingOut
from service.store import reading, specimens
from service.store.reading import ReadState

router = APIRouter(tags=["reads"])


@router.post("/images/{image_id}/reads", status_code=status.HTTP_201_CREATED)
def add_read(image_id: IdPath, body: ReadIn, user: ReaderDep, database: DatabaseDep) -> ReadingOut:
    """Begin a read; while an unaided one is open, you are shown no candidates of this image."""
    with database.write() as session:
        specimen = specimens.specimen_of_image(session, image_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        read = reading.add_read(session, image_id=image_id, reader_id=user.id, mode=body.mode)
        return present_read(ReadState(read, None))


@router.post("/reads/{read_id}/lock")
def lock_read(read_id: IdPath, user: ReaderDep, database: DatabaseDep) -> LockOut:
    """End your unaided read; from now on you see the candidates."""
    with database.write() as session:
        return LockOut(locked_at=reading.lock_read(session, read_id=read_id, reader_id=user.id).locked_at)
