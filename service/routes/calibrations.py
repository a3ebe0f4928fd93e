"""Calibrations on record."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import DatabaseDep, UserDep
from service.present import View, view_for
from service.schemas import CalibrationIn, CalibrationOut
from service.store import specimens
from service.store.models import CalibrationRow
from triage.calibration import Calibration

router = APIRouter(tags=["calibrations"])


@router.get("/calibrations")
def list_calibrations(user: UserDep, database: DatabaseDep) -> list[CalibrationOut]:
    """All calibrations, newest first."""
    with database.read() as session:
        view = view_for(session, user)
        return [_present(view, row) for row in specimens.list_calibrations(session)]


@router.post("/calibrations", status_code=status.HTTP_201_CREATED)
def add_calibration(body: CalibrationIn, user: UserDep, database: DatabaseDep) -> CalibrationOut:
    """A new calibration; older ones stay, and pictures measured with them stay measured with them."""
    Calibration(body.um_per_px, body.um_per_px_sd, body.source)
    with database.write() as session:
        row = specimens.add_calibration(session, **body.model_dump(), created_by=user.id)
        return _present(view_for(session, user), row)


def _present(view: View, row: CalibrationRow) -> CalibrationOut:
    return CalibrationOut(
        id=row.id,
        microscope=row.microscope,
        objective=row.objective,
        um_per_px=row.um_per_px,
        um_per_px_sd=row.um_per_px_sd,
        source=row.source,
        image_width=row.image_width,
        image_height=row.image_height,
        created_at=row.created_at,
        created_by=view.person(row.created_by),
    )
