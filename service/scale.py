"""Which scale an image gets: a calibration on record, a stated one, one measured on it, or none."""

from __future__ import annotations

from dataclasses import dataclass

from service.errors import ConflictError
from service.store import calibrations
from service.store.database import Session
from service.store.models import CalibrationRow, User
from triage.calibration import Calibration, scale_to_resized, state_calibration
from triage.errors import CalibrationError

_MOST_CHARACTERS = 400


@dataclass(frozen=True)
class StatedScale:
    """What came with an upload, or with the wish for new candidates."""

    calibration_id: int | None = None
    um_per_px: float | None = None
    um_per_px_sd: float | None = None
    measurement_id: int | None = None
    confirms_file_scale: bool = False


def choose_scale(
    session: Session,
    stated: StatedScale,
    *,
    user: User,
    image_id: int | None = None,
    width: int | None = None,
    height: int | None = None,
) -> dict[str, float | str | int | None]:
    """The scale as columns of a job; all None when there is none: it is never guessed.

    What a file says of its own scale counts only when a person confirms it for an image that is on record.

    Raises
    ------
    MissingError
        If there is no calibration or measurement of that id.
    CalibrationError
        If two scales are stated, one is impossible, it belongs to pictures of another shape or to another
        image, or the file states none.
    ConflictError
        If the measurement was refused.
    """
    _refuse_two(stated)
    if stated.calibration_id is not None:
        row = calibrations.read_calibration(session, stated.calibration_id)
        return _columns(_fit(row, width, height), row.id)
    if stated.measurement_id is not None:
        return _columns(_take_measurement(session, stated.measurement_id, image_id, user), None)
    if stated.confirms_file_scale:
        return _columns(_take_file_scale(session, image_id, user), None)
    if stated.um_per_px is not None:
        return _columns(
            state_calibration(stated.um_per_px, stated.um_per_px_sd, source="stated at upload"), None
        )
    if stated.um_per_px_sd is not None:
        raise CalibrationError("`um_per_px_sd` came without `um_per_px`. Give both, or neither.")
    return {"um_per_px": None, "um_per_px_sd": None, "calibration_source": None, "calibration_id": None}


def _refuse_two(stated: StatedScale) -> None:
    given = {
        "calibration_id": stated.calibration_id is not None,
        "measurement_id": stated.measurement_id is not None,
        "confirm_file_scale": stated.confirms_file_scale,
        "um_per_px": stated.um_per_px is not None,
    }
    named = [f"`{name}`" for name, is_given in given.items() if is_given]
    if len(named) > 1:
        raise CalibrationError(
            f"Give either {' or '.join(named)}, not {'both' if len(named) == 2 else 'all'}."
        )


def _fit(row: CalibrationRow, width: int | None, height: int | None) -> Calibration:
    """The scale of a calibration on record, in a picture of this size."""
    setting = f", {row.camera_setting}" if row.camera_setting else ""
    source = f"{row.microscope}, {row.objective}{setting}: {row.source}"
    scale = Calibration(row.um_per_px, row.um_per_px_sd, source)
    if width is None or height is None or row.image_width is None or row.image_height is None:
        return scale
    calibrated_wh = (row.image_width, row.image_height)
    fitted = scale_to_resized(scale, calibrated_wh, (width, height))
    if fitted is scale:
        return scale
    resized = f"{source} (taken at {row.image_width} x {row.image_height} px, for the same picture resized)"
    return Calibration(fitted.um_per_px, fitted.um_per_px_sd, resized)


def _take_measurement(session: Session, measurement_id: int, image_id: int | None, user: User) -> Calibration:
    state = calibrations.read_measurement(session, measurement_id)
    measurement = state.measurement
    if image_id is None or measurement.image_id != image_id:
        raise CalibrationError(
            f"Measurement {measurement_id} was not made on this picture; a scale in a shot holds for that "
            "shot alone. Measure on this picture, or choose a calibration on record."
        )
    if state.refusal is not None:
        raise ConflictError(f"Measurement {measurement_id} was refused. Measure again.")
    source = f"{measurement.source} in this picture, confirmed by {user.display_name}"
    return Calibration(measurement.um_per_px, measurement.um_per_px_sd, source)


def _take_file_scale(session: Session, image_id: int | None, user: User) -> Calibration:
    found = None if image_id is None else calibrations.file_scales_of(session, [image_id]).get(image_id)
    if found is None:
        raise CalibrationError(
            "This picture's file states no usable scale of its own. Choose a calibration on record, or "
            "measure a scale on the picture."
        )
    source = f"file metadata ({found.source}), confirmed by {user.display_name}"
    return state_calibration(found.um_per_px, None, source=source)


def _columns(scale: Calibration, calibration_id: int | None) -> dict[str, float | str | int | None]:
    return {
        "um_per_px": scale.um_per_px,
        "um_per_px_sd": scale.um_per_px_sd,
        "calibration_source": _shorten(scale.source),
        "calibration_id": calibration_id,
    }


def _shorten(text: str) -> str:
    return text if len(text) <= _MOST_CHARACTERS else text[: _MOST_CHARACTERS - 1] + "…"
