"""Measured scales: what was found, and a person's word on it."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response, status

from service.calibration_schemas import (
    CalibrationOut,
    ConfirmationIn,
    MeasurementIn,
    MeasurementOut,
    RefusalIn,
)
from service.dependencies import DatabaseDep, IdPath, PartsDep, ReaderDep, UserDep
from service.errors import ConflictError, MissingError
from service.measuring import Target, measure_scale
from service.present import view_for
from service.present_scale import present_calibration, present_measurement
from service.routes.images import cached_jpeg
from service.store import calibrations, images
from service.store.database import Session
from service.store.models import ScaleMeasurement
from triage.calibration import Calibration, join_axes
from triage.errors import CalibrationError

router = APIRouter(tags=["calibrations"])
_MOST_LISTED = 50


@router.get("/images/{image_id}/measurements")
def list_image_measurements(image_id: IdPath, user: UserDep, database: DatabaseDep) -> list[MeasurementOut]:
    """What was measured of the scale in an image itself, newest first."""
    with database.read() as session:
        images.read_image_state(session, image_id)
        view = view_for(session, user)
        found = calibrations.list_measurements(session, image_id=image_id)
        return [present_measurement(view, state) for state in found]


@router.post("/images/{image_id}/measurements", status_code=status.HTTP_201_CREATED)
def measure_image(image_id: IdPath, body: MeasurementIn, user: UserDep, parts: PartsDep) -> MeasurementOut:
    """Measure a scale that lies in the same shot; it holds for this image alone, once a person takes it."""
    with parts.database.read() as session:
        image = images.read_image_state(session, image_id).image
        stated = calibrations.file_scales_of(session, [image_id]).get(image_id)
    target = Target(
        path=parts.files.original(image.sha256),
        file_name=image.file_name,
        width=image.width,
        height=image.height,
        file_um_per_px=None if stated is None else stated.um_per_px,
        file_scale_source=None if stated is None else stated.source,
        belongs={"image_id": image_id},
    )
    values = measure_scale(parts, target, body)
    with parts.database.write() as session:
        measurement = calibrations.add_measurement(session, **values, created_by=user.id)
        state = calibrations.read_measurement(session, measurement.id)
        return present_measurement(view_for(session, user), state)


@router.get("/scale-measurements")
def list_open_measurements(user: UserDep, database: DatabaseDep) -> list[MeasurementOut]:
    """The newest fifty measurements on photographs that wait for a person's word, newest first."""
    with database.read() as session:
        view = view_for(session, user)
        found = calibrations.list_open_measurements(session, _MOST_LISTED)
        return [present_measurement(view, state) for state in found]


@router.get("/scale-measurements/{measurement_id}")
def read_measurement(measurement_id: IdPath, user: UserDep, database: DatabaseDep) -> MeasurementOut:
    """One measured scale."""
    with database.read() as session:
        state = calibrations.read_measurement(session, measurement_id)
        return present_measurement(view_for(session, user), state)


@router.get("/scale-measurements/{measurement_id}/shown.jpg", response_class=Response)
def read_shown(measurement_id: IdPath, request: Request, user: UserDep, parts: PartsDep) -> Response:
    """The picture with the marks that were found drawn over it."""
    with parts.database.read() as session:
        shown = calibrations.read_measurement(session, measurement_id).measurement.shown
    if shown is None:
        raise MissingError(f"Measurement {measurement_id} has no picture of marks; only rulings have one.")
    return cached_jpeg(request, shown, parts.files.shown_marks(shown).read_bytes)


@router.post("/scale-measurements/{measurement_id}/confirmation", status_code=status.HTTP_201_CREATED)
def confirm(measurement_id: IdPath, body: ConfirmationIn, user: ReaderDep, parts: PartsDep) -> CalibrationOut:
    """Put a measured scale on record for a microscope, objective and camera setting; readers and above.

    With `other_axis_id`, a second measurement along the other axis, both make one calibration.
    """
    with parts.database.write() as session:
        measured = [_take(session, measurement_id)]
        if body.other_axis_id is not None:
            measured.append(_take(session, body.other_axis_id))
        row = calibrations.add_calibration(
            session,
            measurements=measured,
            microscope=body.microscope,
            objective=body.objective,
            camera_setting=body.camera_setting,
            created_by=user.id,
            **_columns(session, measured),
        )
        return present_calibration(view_for(session, user), row.id, parts.settings.calibration_reminder_days)


@router.post("/scale-measurements/{measurement_id}/refusal", status_code=status.HTTP_201_CREATED)
def refuse(measurement_id: IdPath, body: RefusalIn, user: ReaderDep, parts: PartsDep) -> MeasurementOut:
    """Say that a measured scale is not to be used, and why; readers and above. It stays on record."""
    with parts.database.write() as session:
        state = calibrations.read_measurement(session, measurement_id, is_locked=True)
        calibrations.refuse_if_settled(state)
        calibrations.add_refusal(
            session, measurement_id=measurement_id, reason=body.reason, created_by=user.id
        )
        state = calibrations.read_measurement(session, measurement_id)
        return present_measurement(view_for(session, user), state)


def _take(session: Session, measurement_id: int) -> ScaleMeasurement:
    """A measurement that may go on record."""
    state = calibrations.read_measurement(session, measurement_id, is_locked=True)
    if state.measurement.picture_id is None:
        raise ConflictError(
            f"Measurement {measurement_id} was made on a picture of a specimen, so it holds for that picture "
            "alone. Upload a photograph of a stage micrometer for a calibration on record."
        )
    calibrations.refuse_if_settled(state)
    return state.measurement


def _columns(session: Session, measured: list[ScaleMeasurement]) -> dict[str, float | str | int | None]:
    """What goes on record of one measurement, or of two along different axes."""
    sizes = [_size_of(session, one) for one in measured]
    axes = {axis: one for one in measured for axis in _axes_of(one)}
    scale = _as_calibration(measured[0])
    if len(measured) == 2:
        if {one.measured_axis for one in measured} != {"x", "y"}:
            raise CalibrationError(
                f"The two measurements lie along {' and '.join(one.measured_axis for one in measured)}; one "
                "must lie along x and the other along y. Turn the stage micrometer a quarter."
            )
        if sizes[0] != sizes[1]:
            raise CalibrationError(
                f"The two pictures measure {' and '.join(f'{w} x {h} px' for w, h in sizes)}; both must have "
                "the same size. Take them at one camera setting."
            )
        scale = join_axes(_as_calibration(axes["x"]), _as_calibration(axes["y"]))
    return {
        "um_per_px": scale.um_per_px,
        "um_per_px_sd": scale.um_per_px_sd,
        "um_per_px_x": axes["x"].um_per_px if "x" in axes else None,
        "um_per_px_x_sd": axes["x"].um_per_px_sd if "x" in axes else None,
        "um_per_px_y": axes["y"].um_per_px if "y" in axes else None,
        "um_per_px_y_sd": axes["y"].um_per_px_sd if "y" in axes else None,
        "source": " and ".join(dict.fromkeys(one.source for one in measured)),
        "image_width": sizes[0][0],
        "image_height": sizes[0][1],
    }


def _axes_of(measurement: ScaleMeasurement) -> tuple[str, ...]:
    return ("x", "y") if measurement.measured_axis == "both" else (measurement.measured_axis,)


def _size_of(session: Session, measurement: ScaleMeasurement) -> tuple[int, int]:
    assert measurement.picture_id is not None
    picture = calibrations.read_picture(session, measurement.picture_id)
    return picture.width, picture.height


def _as_calibration(measurement: ScaleMeasurement) -> Calibration:
    return Calibration(measurement.um_per_px, measurement.um_per_px_sd, measurement.source)
