"""Specimens, and their sign-off."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response, status

from service.amending import refuse_if_unfinished, say_record
from service.dependencies import DatabaseDep, IdPath, ReaderDep, UserDep
from service.present import present_specimen, present_specimens, view_for
from service.schemas import MAX_ID, Signature, SignOffIn, SpecimenIn, SpecimenOut, SpecimenSummary
from service.store import event_log, reading_rules, specimens, versions
from service.store.models import Preparation, Specimen

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
        event_log.note_actor(session, user.id)
        reading_rules.begin_with_hospital_rule(session, specimen)
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
    """Sign a specimen's record, once all of it is marked and settled; from then on it is frozen."""
    with database.write() as session:
        specimen = specimens.read_specimen(session, specimen_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        refuse_if_unfinished(session, specimen_id)
        row = versions.add_version(
            session,
            specimen_id=specimen_id,
            signed_by=user.id,
            remark=body.remark,
            content=say_record(session, specimen),
        )
        return Signature(by=view_for(session, user).person(user.id), at=row.signed_at, remark=row.remark)
