"""Turns calibrations, measurements and their pictures into response bodies."""

from __future__ import annotations

from service.calibration_schemas import CalibrationOut, CalibrationPictureOut, MeasurementOut
from service.drift import age_in_days, setting_of
from service.errors import MissingError
from service.present import View
from service.schemas import FileScaleOut
from service.store import calibrations
from service.store.calibrations import MeasurementState
from service.store.models import CalibrationPicture, utc_now
from triage.pyramid import TILE_PX


def present_calibrations(view: View, reminder_days: int) -> list[CalibrationOut]:
    """All calibrations on record, newest first."""
    now, seen = utc_now(), set()
    rests_on = calibrations.measurements_of(view.session)
    listed = []
    for row in calibrations.list_calibrations(view.session):
        setting, age_days = setting_of(row), age_in_days(row, now)
        listed.append(
            CalibrationOut(
                id=row.id,
                microscope=row.microscope,
                objective=row.objective,
                camera_setting=row.camera_setting,
                um_per_px=row.um_per_px,
                um_per_px_sd=row.um_per_px_sd,
                um_per_px_x=row.um_per_px_x,
                um_per_px_x_sd=row.um_per_px_x_sd,
                um_per_px_y=row.um_per_px_y,
                um_per_px_y_sd=row.um_per_px_y_sd,
                source=row.source,
                image_width=row.image_width,
                image_height=row.image_height,
                measurement_ids=rests_on.get(row.id, []),
                is_newest=setting not in seen,
                age_days=age_days,
                is_old=age_days > reminder_days,
                created_at=row.created_at,
                created_by=view.person(row.created_by),
            )
        )
        seen.add(setting)
    return listed


def present_calibration(view: View, calibration_id: int, reminder_days: int) -> CalibrationOut:
    """One calibration on record."""
    found = [one for one in present_calibrations(view, reminder_days) if one.id == calibration_id]
    if not found:
        raise MissingError(f"There is no calibration {calibration_id}.")
    return found[0]


def present_picture(view: View, row: CalibrationPicture) -> CalibrationPictureOut:
    """A photograph that a scale is measured on."""
    stated = None
    if row.file_um_per_px is not None and row.file_scale_source is not None:
        stated = FileScaleOut(um_per_px=row.file_um_per_px, source=row.file_scale_source)
    return CalibrationPictureOut(
        id=row.id,
        file_name=row.file_name,
        sha256=row.sha256,
        bytes=row.n_bytes,
        width=row.width,
        height=row.height,
        tile_size=TILE_PX,
        zoom_levels=row.zoom_levels,
        file_scale=stated,
        created_at=row.created_at,
        created_by=view.person(row.created_by),
    )


def present_measurement(view: View, state: MeasurementState) -> MeasurementOut:
    """A measured scale with what a person made of it."""
    row = state.measurement
    figures = (row.um_per_px, row.um_per_px_sd)
    along_x = figures if row.measured_axis in ("x", "both") else (None, None)
    along_y = figures if row.measured_axis in ("y", "both") else (None, None)
    is_confirmed = state.calibration_id is not None or state.is_used_by_image
    details = dict(row.details)
    return MeasurementOut(
        id=row.id,
        picture_id=row.picture_id,
        image_id=row.image_id,
        method=row.method,  # type: ignore[arg-type]
        state="confirmed" if is_confirmed else "refused" if state.refusal else "proposed",
        um_per_px=row.um_per_px,
        um_per_px_sd=row.um_per_px_sd,
        measured_axis=row.measured_axis,
        um_per_px_x=along_x[0],
        um_per_px_x_sd=along_x[1],
        um_per_px_y=along_y[0],
        um_per_px_y_sd=along_y[1],
        source=row.source,
        notes=details.pop("notes", []),
        details=details,
        shown_url=None if row.shown is None else f"/api/scale-measurements/{row.id}/shown.jpg",
        calibration_id=state.calibration_id,
        refusal=None if state.refusal is None else state.refusal.reason,
        created_at=row.created_at,
        created_by=view.person(row.created_by),
    )
