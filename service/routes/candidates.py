"""Candidates, and objects that readers add."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response, status

from service.dependencies import DatabaseDep, IdPath, PartsDep, ReaderDep, UserDep
from service.errors import ConflictError
from service.present import present_candidate, present_candidates, view_for
from service.routes.images import cached_jpeg, pyramid_of
from service.schemas import CandidateOut, CandidatesOut, ObjectIn
from service.store import changes, images, reading, specimens
from service.store.database import Session
from service.store.models import CandidateRow, Image, MarkRow
from triage.errors import BoxError, RecordError
from triage.groups import candidate_groups
from triage.pyramid import cut_crop

router = APIRouter(tags=["candidates"])


@router.get("/images/{image_id}/candidates")
def list_candidates(image_id: IdPath, user: UserDep, database: DatabaseDep) -> CandidatesOut:
    """The ranked candidates, unless your unaided read of this image is still open.

    `length_um_sd` and `width_um_sd` are standard uncertainties found on drawn objects. Ellipses that a person
    drew around the outside of the dark line of 38 objects in photographs were 2 % larger; an interval 1.5
    times as wide would hold 95 % of them.
    """
    with database.read() as session:
        state = images.read_image_state(session, image_id)
        is_withheld = reading.is_withheld(session, image_id=image_id, reader_id=user.id)
        answer = present_candidates(view_for(session, user), state, is_withheld=is_withheld)
        is_first = not reading.was_shown(session, image_id=image_id, reader_id=user.id)
    if is_first and (answer.candidates or answer.below_cut):
        with database.write() as session:
            reading.note_showing(session, image_id=image_id, reader_id=user.id)
    return answer


@router.post("/images/{image_id}/objects", status_code=status.HTTP_201_CREATED)
def add_object(image_id: IdPath, body: ObjectIn, user: ReaderDep, database: DatabaseDep) -> CandidateOut:
    """Add an object that was missed, with your mark that confirms it."""
    check_group(body.group)
    with database.write() as session:
        specimen = specimens.specimen_of_image(session, image_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        image = images.read_image_state(session, image_id).image
        row = reading.add_object(session, _drawn(body, image, user.id))
        read = reading.continue_read(session, image_id=image_id, reader_id=user.id)
        mark = MarkRow(candidate_id=row.id, answer="confirm", group=body.group, remark=body.remark)
        mark.reader_id, mark.read_id = user.id, read.id
        reading.add_mark(session, mark)
        changes.note_change(session, mark)
        return present_candidate(view_for(session, user), reading.spoken_of(session, row))


@router.get("/candidates/{candidate_id}/crop.jpg", response_class=Response)
def read_crop(
    candidate_id: IdPath,
    request: Request,
    user: UserDep,
    parts: PartsDep,
    side_px: Annotated[int, Query(ge=16, le=1024)] = 160,
) -> Response:
    """A square picture of a candidate and a little around it."""
    with parts.database.read() as session:
        row = reading.read_candidate(session, candidate_id)
        refuse_if_withheld(session, row, user.id)
        sha256 = images.read_image_state(session, row.image_id).image.sha256
    x, y, width, height = row.said["bbox"]
    path = pyramid_of(parts, sha256)
    return cached_jpeg(
        request,
        f"{sha256}-boxed-crop-{candidate_id}-{side_px}",
        lambda: cut_crop(path, (x, y, width, height), side_px),
    )


def check_group(group: str) -> None:
    """Let only a candidate group pass.

    Raises
    ------
    RecordError
        If there is no such candidate group.
    """
    if group not in candidate_groups():
        raise RecordError(
            f"There is no candidate group {group!r}. Use one of: {', '.join(candidate_groups())}."
        )


def refuse_if_withheld(session: Session, row: CandidateRow, reader_id: int) -> None:
    """Keep the tool's candidates from a reader whose unaided read is open.

    Raises
    ------
    ConflictError
        If it is open.
    """
    if row.origin == "tool" and reading.is_withheld(session, image_id=row.image_id, reader_id=reader_id):
        raise ConflictError(
            "Candidates of this image are withheld until your unaided read is locked. Lock it first."
        )


def _drawn(body: ObjectIn, image: Image, reader_id: int) -> CandidateRow:
    x, y, width, height = body.bbox
    is_inside = x >= 0 and y >= 0 and x + width <= image.width and y + height <= image.height
    if width <= 0 or height <= 0 or not is_inside:
        raise BoxError(
            f"The box {body.bbox} must have a width and a height and lie inside the picture of "
            f"{image.width} x {image.height} px. Draw it again."
        )
    unknown: dict[str, None] = dict.fromkeys(
        ("rank", "score", "length_um", "width_um", "length_um_sd", "width_um_sd", "ellipse", "size_check")
    )
    said: dict[str, Any] = {
        **unknown,
        "bbox": body.bbox,
        "group": body.group,
        "group_scores": {},
        "reasons": [],
    }
    return CandidateRow(
        image_id=image.id,
        proposal_id=None,
        origin="reader",
        is_above_cut=True,
        group=body.group,
        said=said,
        drawn_by=reader_id,
    )
