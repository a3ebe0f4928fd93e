"""Stitchings: several overlapping pictures of a preparation become one more."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Response, status
from pydantic import Field

from service.dependencies import DatabaseDep, IdPath, PartsDep, UserDep
from service.errors import ConflictError, MissingError
from service.schemas import Answered, Body, Id
from service.stitching import LEAST_FIELDS, agree_on_scale
from service.store import images, specimens, stitchings
from service.store.database import Session
from service.store.models import Stitching

router = APIRouter(tags=["stitchings"])
MOST_FIELDS = 2000


class StitchingIn(Body):
    """Which pictures of the preparation to stitch, and whether they come in the order of the scan."""

    image_ids: Annotated[list[Id], Field(min_length=LEAST_FIELDS, max_length=MOST_FIELDS)]
    order: Literal["as-taken", "unknown"] = "unknown"
    writes_mosaic: Annotated[
        bool, Field(description="False: only find where the pictures lie, so that objects count once.")
    ] = True


class StitchingOut(Answered):
    """A stitching; `report` says what was placed where, what was left out and why, and what area is shown."""

    id: int
    preparation_id: int
    image_ids: list[int]
    writes_mosaic: bool
    state: Literal["waiting", "stitching", "ready", "failed"]
    problem: str | None
    image_id: Annotated[
        int | None, Field(description="The mosaic, once it is written, if one was asked for.")
    ]
    report: dict[str, Any] | None


@router.post("/preparations/{preparation_id}/stitchings", status_code=status.HTTP_202_ACCEPTED)
def add_stitching(
    preparation_id: IdPath, body: StitchingIn, user: UserDep, parts: PartsDep, response: Response
) -> StitchingOut:
    """Begin to stitch; the pictures stay as they are, the mosaic becomes one more picture."""
    with parts.database.write() as session:
        preparation = specimens.read_preparation(session, preparation_id)
        specimen = specimens.read_specimen(session, preparation.specimen_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        _check_fields(session, preparation_id, body.image_ids)
        row = stitchings.add_stitching(
            session,
            preparation_id=preparation_id,
            image_ids=body.image_ids,
            field_order=body.order,
            writes_mosaic=body.writes_mosaic,
            created_by=user.id,
        )
    parts.jobs.enqueue_stitching(row)
    response.headers["Location"] = f"/api/stitchings/{row.id}"
    return StitchingOut.model_validate(row)


def _check_fields(session: Session, preparation_id: int, image_ids: list[int]) -> None:
    if len(set(image_ids)) < len(image_ids):
        raise ConflictError("A picture is named twice. Name each once.")
    fields = [images.read_image_state(session, image_id) for image_id in image_ids]
    for one in fields:
        if one.image.preparation_id != preparation_id:
            raise MissingError(f"There is no image {one.image.id} in preparation {preparation_id}.")
        if stitchings.find_of_mosaic(session, one.image.id) is not None:
            raise ConflictError(f"{one.image.file_name} is a mosaic itself. Choose single fields.")
    first = fields[0].image
    for one in fields:
        if (one.image.width, one.image.height) != (first.width, first.height):
            raise ConflictError(
                f"{one.image.file_name} is {one.image.width} x {one.image.height} px, but {first.file_name} "
                f"is {first.width} x {first.height} px; all fields of a scan must have one size. Leave out "
                "what belongs to another scan."
            )
    agree_on_scale([one.job for one in fields])


@router.get("/preparations/{preparation_id}/stitchings")
def list_stitchings(preparation_id: IdPath, user: UserDep, database: DatabaseDep) -> list[StitchingOut]:
    """The stitchings of a preparation, oldest first."""
    with database.read() as session:
        specimens.read_preparation(session, preparation_id)
        rows: list[Stitching] = stitchings.list_stitchings(session, preparation_id)
        return [StitchingOut.model_validate(row) for row in rows]


@router.get("/stitchings/{stitching_id}")
def read_stitching(stitching_id: IdPath, user: UserDep, database: DatabaseDep) -> StitchingOut:
    """One stitching."""
    with database.read() as session:
        return StitchingOut.model_validate(stitchings.read_stitching(session, stitching_id))
