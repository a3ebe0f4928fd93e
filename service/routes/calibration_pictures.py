"""Photographs that a scale is measured on: upload, tiles, and measurements on them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response, status
from starlette.concurrency import run_in_threadpool

from service.calibration_schemas import CalibrationPictureOut, MeasurementIn, MeasurementOut
from service.dependencies import DatabaseDep, IdPath, Parts, PartsDep, UserDep
from service.files import Received
from service.intake import plain_name
from service.measuring import Target, measure_scale
from service.present import view_for
from service.present_scale import present_measurement, present_picture
from service.routes.images import cached_jpeg, cut_tile, pyramid_of
from service.store import calibrations
from service.store.models import User

router = APIRouter(tags=["calibrations"])
_MOST_LISTED = 50


@router.post(
    "/calibration-pictures",
    status_code=status.HTTP_201_CREATED,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def add_picture(
    request: Request,
    response: Response,
    user: UserDep,
    parts: PartsDep,
    file_name: Annotated[str, Query(min_length=1, max_length=255)],
) -> CalibrationPictureOut:
    """Upload one photograph, its bytes as the body; the same bytes sent twice are one photograph."""
    received = await parts.files.receive(request.stream(), limit_bytes=parts.settings.upload_limit_bytes())
    try:
        answer = await run_in_threadpool(_file_picture, parts, user, received, plain_name(file_name))
    finally:
        parts.files.drop(received)
    response.headers["Location"] = f"/api/calibration-pictures/{answer.id}"
    return answer


def _file_picture(parts: Parts, user: User, received: Received, file_name: str) -> CalibrationPictureOut:
    with parts.database.read() as session:
        known = calibrations.find_picture(session, received.sha256)
        if known is not None:
            return present_picture(view_for(session, user), known)
    seen = parts.jobs.look(received, file_name)
    kept = parts.files.keep(received)
    with parts.files.make_pyramid(received.sha256) as target:
        zoom_levels = parts.jobs.measure("write_viewer_copy", kept, file_name, target)
    stated = seen.file_scale or {}
    with parts.database.write() as session:
        row = calibrations.add_picture(
            session,
            file_name=file_name,
            sha256=received.sha256,
            n_bytes=received.n_bytes,
            width=seen.width,
            height=seen.height,
            zoom_levels=zoom_levels,
            file_um_per_px=stated.get("um_per_px"),
            file_scale_source=stated.get("source"),
            created_by=user.id,
        )
        return present_picture(view_for(session, user), row)


@router.get("/calibration-pictures")
def list_pictures(user: UserDep, database: DatabaseDep) -> list[CalibrationPictureOut]:
    """The newest fifty photographs, newest first."""
    with database.read() as session:
        view = view_for(session, user)
        return [present_picture(view, row) for row in calibrations.list_pictures(session, _MOST_LISTED)]


@router.get("/calibration-pictures/{picture_id}")
def read_picture(picture_id: IdPath, user: UserDep, database: DatabaseDep) -> CalibrationPictureOut:
    """One photograph."""
    with database.read() as session:
        return present_picture(view_for(session, user), calibrations.read_picture(session, picture_id))


@router.get("/calibration-pictures/{picture_id}/tiles/{level}/{column}/{row}.jpg", response_class=Response)
def read_tile(
    picture_id: IdPath, level: int, column: int, row: int, request: Request, user: UserDep, parts: PartsDep
) -> Response:
    """One viewer tile, as for images."""
    with parts.database.read() as session:
        sha256 = calibrations.read_picture(session, picture_id).sha256
    path = pyramid_of(parts, sha256)
    return cached_jpeg(
        request, f"{sha256}-{level}-{column}-{row}", lambda: cut_tile(path, level, column, row)
    )


@router.get("/calibration-pictures/{picture_id}/measurements")
def list_measurements(picture_id: IdPath, user: UserDep, database: DatabaseDep) -> list[MeasurementOut]:
    """What was measured on a photograph, newest first."""
    with database.read() as session:
        calibrations.read_picture(session, picture_id)
        view = view_for(session, user)
        found = calibrations.list_measurements(session, picture_id=picture_id)
        return [present_measurement(view, state) for state in found]


@router.post("/calibration-pictures/{picture_id}/measurements", status_code=status.HTTP_201_CREATED)
def add_measurement(
    picture_id: IdPath, body: MeasurementIn, user: UserDep, parts: PartsDep
) -> MeasurementOut:
    """Measure the scale of a photograph; nothing uses it until a person confirms it."""
    with parts.database.read() as session:
        row = calibrations.read_picture(session, picture_id)
    target = Target(
        path=parts.files.original(row.sha256),
        file_name=row.file_name,
        width=row.width,
        height=row.height,
        file_um_per_px=row.file_um_per_px,
        file_scale_source=row.file_scale_source,
        belongs={"picture_id": row.id},
    )
    values = measure_scale(parts, target, body)
    with parts.database.write() as session:
        measurement = calibrations.add_measurement(session, **values, created_by=user.id)
        state = calibrations.read_measurement(session, measurement.id)
        return present_measurement(view_for(session, user), state)
