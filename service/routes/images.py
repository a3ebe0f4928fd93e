"""Pictures: upload, status, tiles, the original bytes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response, status
from fastapi.responses import FileResponse
from starlette.concurrency import run_in_threadpool

from service.dependencies import DatabaseDep, IdPath, Parts, PartsDep, UserDep
from service.errors import ConflictError, MissingError
from service.intake import check_before_upload, plain_name, take_picture
from service.own_detectors import find_by_weights
from service.present import present_image, view_for
from service.scale import StatedScale, choose_scale
from service.schemas import MAX_ID, ImageOut, ProposalIn
from service.store import calibrations, event_log, images, specimens
from service.store.database import Session
from service.store.models import Image, Job, User
from triage.pyramid import cut_viewer_tile

router = APIRouter(tags=["images"])
# A picture never changes under its id.
UNCHANGING = "private, max-age=31536000, immutable"


@router.post(
    "/preparations/{preparation_id}/images",
    status_code=status.HTTP_202_ACCEPTED,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def add_image(
    preparation_id: IdPath,
    request: Request,
    response: Response,
    user: UserDep,
    parts: PartsDep,
    file_name: Annotated[str, Query(min_length=1, max_length=255)],
    calibration_id: Annotated[int | None, Query(ge=1, le=MAX_ID)] = None,
    um_per_px: Annotated[float | None, Query(allow_inf_nan=False)] = None,
    um_per_px_sd: Annotated[float | None, Query(allow_inf_nan=False)] = None,
) -> ImageOut:
    """Upload one picture, its bytes as the body; candidates are proposed in the background.

    The same bytes sent twice to one preparation are one image.
    """
    scale = StatedScale(calibration_id, um_per_px, um_per_px_sd)
    await run_in_threadpool(check_before_upload, parts, user, preparation_id, scale)
    received = await parts.files.receive(request.stream(), limit_bytes=parts.settings.upload_limit_bytes())
    try:
        answer = await run_in_threadpool(
            take_picture, parts, user, received, preparation_id, plain_name(file_name), scale
        )
    finally:
        parts.files.drop(received)
    response.headers["Location"] = answer.status_url
    return answer


@router.get("/images/{image_id}")
def read_image(image_id: IdPath, user: UserDep, database: DatabaseDep) -> ImageOut:
    """One image with the state of its candidates."""
    with database.read() as session:
        return present_image(view_for(session, user), image_id)


@router.post("/images/{image_id}/proposals", status_code=status.HTTP_202_ACCEPTED)
def propose_again(image_id: IdPath, body: ProposalIn, user: UserDep, parts: PartsDep) -> ImageOut:
    """A new set of candidates, at another scale or by another detector; the old set stays on record."""
    with parts.database.write() as session:
        event_log.note_actor(session, user.id)
        specimen = specimens.specimen_of_image(session, image_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        state = images.read_image_state(session, image_id)
        if state.job.state in images.OPEN_STATES:
            raise ConflictError(
                f"Candidates for image {image_id} are being proposed. Wait until that has ended."
            )
        scale = StatedScale(
            body.calibration_id,
            body.um_per_px,
            body.um_per_px_sd,
            measurement_id=body.measurement_id,
            confirms_file_scale=body.confirm_file_scale,
        )
        if body.detector_sha256 is None:
            job = _add_job(session, state.image, scale, user)
        elif scale == StatedScale(None, None, None):
            detector_id = find_by_weights(session, parts.jobs, body.detector_sha256)
            job = images.repeat_job(session, state.job, detector_id=detector_id)
        else:
            raise ConflictError("State another detector or another scale, not both at once.")
        answer = present_image(view_for(session, user), image_id)
    parts.jobs.enqueue(job)
    return answer


def _add_job(session: Session, image: Image, scale: StatedScale, user: User) -> Job:
    calibration = choose_scale(
        session, scale, user=user, image_id=image.id, width=image.width, height=image.height
    )
    job = images.add_job(session, image_id=image.id, **calibration)
    if scale.measurement_id is not None:
        calibrations.link_job(session, job, scale.measurement_id)
    return job


@router.get("/images/{image_id}/tiles/{level}/{column}/{row}.jpg", response_class=Response)
def read_tile(
    image_id: IdPath, level: int, column: int, row: int, request: Request, user: UserDep, parts: PartsDep
) -> Response:
    """One viewer tile, 256 px a side or less at the right and lower edge; level 0 is the smallest."""
    with parts.database.read() as session:
        sha256 = images.read_image_state(session, image_id).image.sha256
    path = pyramid_of(parts, sha256)
    return cached_jpeg(
        request, f"{sha256}-{level}-{column}-{row}", lambda: cut_tile(path, level, column, row)
    )


def pyramid_of(parts: Parts, sha256: str) -> Path:
    """The viewer's copy of a picture.

    Raises
    ------
    MissingError
        If it isn't written yet.
    """
    try:
        return parts.files.pyramid(sha256)
    except MissingError as err:
        raise MissingError(
            "The viewer's copy of this picture isn't written yet. Try again in a moment."
        ) from err


def cached_jpeg(request: Request, name: str, make: Callable[[], bytes]) -> Response:
    """A JPEG that a browser may keep; 304 when it has kept it."""
    headers = {"ETag": f'"{name}"', "Cache-Control": UNCHANGING}
    if request.headers.get("If-None-Match") == headers["ETag"]:
        return Response(status_code=status.HTTP_304_NOT_MODIFIED, headers=headers)
    return Response(make(), media_type="image/jpeg", headers=headers)


def cut_tile(path: Path, level: int, column: int, row: int) -> bytes:
    """One viewer tile as JPEG.

    Raises
    ------
    MissingError
        If the viewer's copy has no such tile.
    """
    tile = cut_viewer_tile(path, level, column, row)
    if tile is None:
        raise MissingError(f"There is no tile {level}/{column}/{row}.")
    return tile


@router.get("/images/{image_id}/original", response_class=FileResponse)
def read_original(image_id: IdPath, user: UserDep, parts: PartsDep) -> FileResponse:
    """The bytes as they were uploaded."""
    with parts.database.read() as session:
        image = images.read_image_state(session, image_id).image
    # Always a download of unknown type: a browser must never run what somebody uploaded.
    return FileResponse(
        parts.files.original(image.sha256),
        media_type="application/octet-stream",
        filename=image.file_name,
        headers={"ETag": f'"{image.sha256}"', "Cache-Control": UNCHANGING},
    )
