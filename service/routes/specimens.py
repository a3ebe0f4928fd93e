"""Specimens, and their sign-off."""

from __future__ import annotations

from collections.abc import Sized
from typing import Annotated

from fastapi import APIRouter, Query, Response, status

from service.dependencies import DatabaseDep, IdPath, ReaderDep, UserDep
from service.errors import ConflictError
from service.present import present_specimen, present_specimens, view_for
from service.schemas import MAX_ID, Signature, SignOffIn, SpecimenIn, SpecimenOut, SpecimenSummary
from service.settle import is_unsettled, needs_mark
from service.store import images, reading, specimens
from service.store.database import Session
from service.store.models import Preparation, Specimen
from service.store.reading import Spoken

router = APIRouter(tags=["specimens"])


@router.post("/specimens", status_code=status.HTTP_201_CREATED)
def add_specimen(body: SpecimenIn, user: UserDep, database: DatabaseDep, response: Response) -> SpecimenOut:
    """File a specimen with its first preparation."""
    facts = body.model_dump(exclude={"preparation"})
    with database.write() as session:
        specimen = specimens.add_specimen(
            session,
            Specimen(**facts, created_by=user.id),
            Preparation(**body.preparation.model_dump()),
        )
        response.headers["Location"] = f"/api/specimens/{specimen.id}"
        return present_specimen(view_for(session, user), specimen.id)


@router.get("/specimens")
def list_specimens(
    user: UserDep,
    database: DatabaseDep,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
    before: Annotated[int | None, Query(ge=1, le=MAX_ID)] = None,
) -> list[SpecimenSummary]:
    """Specimens, newest first; `before` an id gives the next page."""
    with database.read() as session:
        rows = specimens.list_specimens(session, limit=limit, before=before)
        return present_specimens(view_for(session, user), rows)


@router.get("/specimens/{specimen_id}")
def read_specimen(specimen_id: IdPath, user: UserDep, database: DatabaseDep) -> SpecimenOut:
    """One specimen with its preparations and images."""
    with database.read() as session:
        return present_specimen(view_for(session, user), specimen_id)


@router.post("/specimens/{specimen_id}/sign-off", status_code=status.HTTP_201_CREATED)
def sign_off(specimen_id: IdPath, body: SignOffIn, user: ReaderDep, database: DatabaseDep) -> Signature:
    """End the reading of a specimen, once all of it is marked and settled."""
    with database.write() as session:
        specimen = specimens.read_specimen(session, specimen_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        _refuse_if_unfinished(session, specimen_id)
        row = specimens.add_sign_off(session, specimen_id=specimen_id, reader_id=user.id, remark=body.remark)
        return Signature(by=view_for(session, user).person(user.id), at=row.created_at, remark=row.remark)


def _refuse_if_unfinished(session: Session, specimen_id: int) -> None:
    states = images.list_image_states(session, [specimen_id])[specimen_id]
    image_ids = [state.image.id for state in states]
    if not image_ids:
        raise ConflictError("The specimen has no picture yet, so there is nothing to sign off.")
    spoken = reading.list_spoken(session, image_ids)
    unmarked = [_point_at(one) for one in spoken if needs_mark(one)]
    unsettled = [_point_at(one) for one in spoken if is_unsettled(one)]
    not_ready = [state.image.id for state in states if state.job.state != "ready"]
    open_reads = [
        state.read.image_id for state in reading.list_reads(session, image_ids) if state.is_withholding
    ]
    looks = [
        state.look.id for state in specimens.list_second_looks(session, specimen_id) if state.closing is None
    ]
    reasons = [
        _count(unmarked, "candidate is unmarked", "candidates are unmarked"),
        _count(unsettled, "candidate has marks that differ", "candidates have marks that differ"),
        _count(not_ready, "picture is not ready", "pictures are not ready"),
        _count(open_reads, "unaided read is open", "unaided reads are open"),
        _count(looks, "second look is open", "second looks are open"),
    ]
    if any(reasons):
        raise ConflictError(
            f"The specimen can't be signed off yet: {', '.join(filter(None, reasons))}.",
            unmarked=unmarked,
            unsettled=unsettled,
            not_ready=not_ready,
            open_reads=open_reads,
            open_second_looks=looks,
        )


def _count(open_items: Sized, one: str, many: str) -> str:
    return f"{len(open_items)} {one if len(open_items) == 1 else many}" if open_items else ""


def _point_at(spoken: Spoken) -> dict[str, int | None]:
    row = spoken.candidate
    return {"image_id": row.image_id, "candidate_id": row.id, "rank": row.rank}
