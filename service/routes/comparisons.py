"""What helps to judge a candidate: cutouts of known size, the place elsewhere, what it may be instead."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.dependencies import DatabaseDep, IdPath, PartsDep, UserDep
from service.elsewhere import Seen, find_elsewhere
from service.likenesses import list_likenesses
from service.present import is_blinded, view_for, without_others
from service.reading_schemas import ElsewhereOut, LikenessOut
from service.routes.candidates import refuse_if_withheld
from service.routes.images import cached_jpeg, pyramid_of
from service.store import images, reading, specimens
from service.store.database import Session
from service.store.models import User
from service.store.reading import Spoken
from triage.errors import BoxError
from triage.pyramid import cut_square

router = APIRouter(tags=["comparisons"])
Pixels = Annotated[float, Query(ge=0, le=1_000_000, allow_inf_nan=False)]


@router.get("/images/{image_id}/cutout.jpg", response_class=Response)
def read_cutout(
    image_id: IdPath,
    request: Request,
    user: UserDep,
    parts: PartsDep,
    x: Pixels,
    y: Pixels,
    span_px: Annotated[float, Query(ge=8, le=20_000, allow_inf_nan=False)],
    side_px: Annotated[int, Query(ge=16, le=1024)] = 320,
) -> Response:
    """A square of a picture, `span_px` of its pixels wide around a point, moved inward at the edges."""
    with parts.database.read() as session:
        specimens.specimen_of_image(session, image_id)
        image = images.read_image_state(session, image_id).image
    if x > image.width or y > image.height:
        raise BoxError(
            f"The point {x:g}, {y:g} lies outside the picture of {image.width} x {image.height} px. Give one "
            "inside."
        )
    path = pyramid_of(parts, image.sha256)
    name = f"{image.sha256}-cutout-{x:g}-{y:g}-{span_px:g}-{side_px}"
    return cached_jpeg(request, name, lambda: cut_square(path, (x, y), span_px, side_px))


@router.get("/candidates/{candidate_id}/elsewhere")
def list_elsewhere(candidate_id: IdPath, user: UserDep, database: DatabaseDep) -> list[ElsewhereOut]:
    """The same place in other pictures of the scan, as far as a stitching knows them."""
    with database.read() as session:
        row = reading.read_candidate(session, candidate_id)
        refuse_if_withheld(session, row, user.id)
        specimens.specimen_of_image(session, row.image_id)
        image = images.read_image_state(session, row.image_id).image
        x, y, width, height = row.said["bbox"]
        seen = find_elsewhere(session, image, (x + width / 2, y + height / 2))
        return [_present(session, one, user) for one in seen]


def _present(session: Session, seen: Seen, user: User) -> ElsewhereOut:
    there = _at(session, seen, user)
    return ElsewhereOut(
        image_id=seen.image.id,
        file_name=seen.image.file_name,
        is_mosaic=seen.is_mosaic,
        x=round(seen.x, 1),
        y=round(seen.y, 1),
        candidate_id=None if there is None else there.candidate.id,
        candidate_name=None if there is None else _name(there),
    )


def _at(session: Session, seen: Seen, user: User) -> Spoken | None:
    """What is proposed or drawn at a place, as far as the person may see it."""
    spoken = reading.list_spoken(session, [seen.image.id])
    specimen = specimens.specimen_of_image(session, seen.image.id)
    if is_blinded(view_for(session, user), specimen.id):
        spoken = without_others(spoken, user.id)
    if reading.is_withheld(session, image_id=seen.image.id, reader_id=user.id):
        spoken = [one for one in spoken if one.candidate.origin == "reader"]
    for one in spoken:
        x, y, width, height = one.candidate.said["bbox"]
        if x <= seen.x <= x + width and y <= seen.y <= y + height:
            return one
    return None


def _name(spoken: Spoken) -> str:
    return f"candidate {spoken.candidate.rank}" if spoken.candidate.rank else "an added object"


@router.get("/candidates/{candidate_id}/likenesses")
def read_likenesses(candidate_id: IdPath, user: UserDep, database: DatabaseDep) -> list[LikenessOut]:
    """What it may be mistaken for, with candidates of signed-off specimens that were marked so here."""
    with database.read() as session:
        row = reading.read_candidate(session, candidate_id)
        refuse_if_withheld(session, row, user.id)
        specimens.specimen_of_image(session, row.image_id)
        return list_likenesses(session, row)
