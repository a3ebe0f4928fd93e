"""Calibrations on record, their course over time, and eyepieces' scales."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.calibration_schemas import (
    CalibrationIn,
    CalibrationOut,
    DriftSeries,
    OcularFigures,
    OcularReadingIn,
    OcularScaleIn,
    OcularScaleOut,
)
from service.dependencies import DatabaseDep, PartsDep, ReaderDep, UserDep
from service.drift import trace_drift
from service.present import View, view_for
from service.present_scale import present_calibration, present_calibrations
from service.store import calibrations
from service.store.models import OcularScaleRow, utc_now
from triage.calibration import Calibration
from triage.micrometer import measure_ocular_division

router = APIRouter(tags=["calibrations"])


@router.get("/calibrations")
def list_calibrations(user: UserDep, parts: PartsDep) -> list[CalibrationOut]:
    """All calibrations, newest first."""
    with parts.database.read() as session:
        return present_calibrations(view_for(session, user), parts.settings.calibration_reminder_days)


@router.post("/calibrations", status_code=status.HTTP_201_CREATED)
def add_calibration(body: CalibrationIn, user: ReaderDep, parts: PartsDep) -> CalibrationOut:
    """A new calibration as a person states it; older ones stay, and what was measured with them stays so."""
    Calibration(body.um_per_px, body.um_per_px_sd, body.source)
    with parts.database.write() as session:
        row = calibrations.add_calibration(session, **body.model_dump(), created_by=user.id)
        return present_calibration(view_for(session, user), row.id, parts.settings.calibration_reminder_days)


@router.get("/calibration-series")
def list_series(user: UserDep, parts: PartsDep) -> list[DriftSeries]:
    """How the scale of each microscope, objective and camera setting went over time."""
    with parts.database.read() as session:
        rows = calibrations.list_calibrations(session)
    return trace_drift(rows, now=utc_now(), reminder_days=parts.settings.calibration_reminder_days)


@router.get("/ocular-scales")
def list_ocular_scales(user: UserDep, database: DatabaseDep) -> list[OcularScaleOut]:
    """Scales of eyepieces, newest first."""
    with database.read() as session:
        view = view_for(session, user)
        return [_present_ocular(view, row) for row in calibrations.list_ocular_scales(session)]


@router.post("/ocular-scales/figures")
def work_out_ocular_scale(body: OcularReadingIn, user: UserDep) -> OcularFigures:
    """What one division of an eyepiece's scale spans, without keeping it."""
    um_per_division, sd = _measure_ocular(body)
    return OcularFigures(um_per_division=um_per_division, um_per_division_sd=sd)


@router.post("/ocular-scales", status_code=status.HTTP_201_CREATED)
def add_ocular_scale(body: OcularScaleIn, user: ReaderDep, database: DatabaseDep) -> OcularScaleOut:
    """Keep the scale of an eyepiece for one objective of one microscope; older ones stay."""
    um_per_division, sd = _measure_ocular(body)
    with database.write() as session:
        row = calibrations.add_ocular_scale(
            session,
            **body.model_dump(exclude={"reading_sd_divisions"}),
            um_per_division=um_per_division,
            um_per_division_sd=sd,
            created_by=user.id,
        )
        return _present_ocular(view_for(session, user), row)


def _measure_ocular(body: OcularReadingIn) -> tuple[float, float]:
    return measure_ocular_division(
        body.stage_divisions,
        body.ocular_divisions,
        stage_division_um=body.stage_division_um,
        reading_sd_divisions=body.reading_sd_divisions,
    )


def _present_ocular(view: View, row: OcularScaleRow) -> OcularScaleOut:
    return OcularScaleOut(
        id=row.id,
        microscope=row.microscope,
        objective=row.objective,
        stage_divisions=row.stage_divisions,
        stage_division_um=row.stage_division_um,
        ocular_divisions=row.ocular_divisions,
        um_per_division=row.um_per_division,
        um_per_division_sd=row.um_per_division_sd,
        created_at=row.created_at,
        created_by=view.person(row.created_by),
    )
