"""Which scale an image gets: a calibration on record, a stated one, the file's own, or none."""

from __future__ import annotations

from dataclasses import dataclass

from service.store import specimens
from service.store.database import Session
from service.store.models import CalibrationRow
from triage.calibration import state_calibration
from triage.errors import CalibrationError


@dataclass(frozen=True)
class StatedScale:
    """What came with an upload."""

    calibration_id: int | None
    um_per_px: float | None
    um_per_px_sd: float | None


def choose_scale(
    session: Session,
    stated: StatedScale,
    *,
    width: int | None = None,
    height: int | None = None,
    in_file_um_per_px: float | None = None,
) -> dict[str, float | str | int | None]:
    """The scale as columns of a job; all None when there is none: it is never guessed.

    Raises
    ------
    MissingError
        If there is no calibration of that id.
    CalibrationError
        If two scales are stated, one is impossible, or it belongs to pictures of another size.
    """
    if stated.calibration_id is not None:
        if stated.um_per_px is not None:
            raise CalibrationError("Give either `calibration_id` or `um_per_px`, not both.")
        row = specimens.read_calibration(session, stated.calibration_id)
        _check_size(row, width, height)
        source = f"{row.microscope}, {row.objective}: {row.source}"
        return _columns(row.um_per_px, row.um_per_px_sd, source, row.id)
    if stated.um_per_px is not None:
        return _columns(stated.um_per_px, stated.um_per_px_sd, "stated at upload", None)
    if stated.um_per_px_sd is not None:
        raise CalibrationError("`um_per_px_sd` came without `um_per_px`. Give both, or neither.")
    if in_file_um_per_px is not None:
        return _columns(in_file_um_per_px, None, "file metadata", None)
    return {"um_per_px": None, "um_per_px_sd": None, "calibration_source": None, "calibration_id": None}


def _check_size(row: CalibrationRow, width: int | None, height: int | None) -> None:
    if width is None or height is None or row.image_width is None or row.image_height is None:
        return
    if sorted((width, height)) != sorted((row.image_width, row.image_height)):
        raise CalibrationError(
            f"Calibration {row.id} belongs to pictures of {row.image_width} x {row.image_height} px; "
            f"this one has {width} x {height}. Use the camera's full size, or calibrate at this size."
        )


def _columns(
    um_per_px: float, um_per_px_sd: float | None, source: str, calibration_id: int | None
) -> dict[str, float | str | int | None]:
    checked = state_calibration(um_per_px, um_per_px_sd, source=source)
    return {
        "um_per_px": checked.um_per_px,
        "um_per_px_sd": checked.um_per_px_sd,
        "calibration_source": checked.source,
        "calibration_id": calibration_id,
    }
