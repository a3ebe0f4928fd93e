"""Measures a scale on a picture in the way that a person asked for; what comes out is only a proposal."""

from __future__ import annotations

import math
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.calibration_schemas import FileScaleIn, RulingIn, TwoPointsIn
from service.dependencies import Parts
from triage.calibration import Calibration, state_calibration
from triage.errors import CalibrationError
from triage.micrometer import measure_two_points, name_axis

SETTING_CAUTION = (
    "It holds for this microscope, objective, camera setting and picture size alone: digital zoom, or a "
    "camera that was moved, needs a new calibration."
)
FILE_CAUTION = (
    "Whoever made the file put this figure there; a printer's resolution or another objective's scale looks "
    "the same. Check it against a stage micrometer before you confirm it."
)


@dataclass(frozen=True)
class Target:
    """The picture to measure on; `belongs` names its row as columns of the measurement."""

    path: Path
    file_name: str
    width: int
    height: int
    file_um_per_px: float | None
    file_scale_source: str | None
    belongs: dict[str, int]


def measure_scale(
    parts: Parts, target: Target, asked: RulingIn | TwoPointsIn | FileScaleIn
) -> dict[str, Any]:
    """The columns of a measurement.

    Raises
    ------
    CalibrationError
        If there is no ruling, the points or the length can't be, or the file states no scale.
    """
    if isinstance(asked, RulingIn):
        return _measure_ruling(parts, target, asked)
    if isinstance(asked, TwoPointsIn):
        return _measure_points(target, asked)
    return _take_file_scale(target)


def _measure_ruling(parts: Parts, target: Target, asked: RulingIn) -> dict[str, Any]:
    shown = secrets.token_hex(16)
    with parts.files.make_shown_marks(shown) as shown_path:
        found: dict[str, Any] = parts.jobs.measure(
            "measure_ruling",
            target.path,
            target.file_name,
            asked.division_um,
            asked.ruling_tolerance,
            shown_path,
        )
    scale = Calibration(found["um_per_px"], found["um_per_px_sd"], found["source"])
    details = {
        name: found[name]
        for name in ("angle_deg", "n_marks", "n_divisions", "division_um", "division_px", "notes")
    }
    details["ruling_tolerance"] = asked.ruling_tolerance
    return {
        **_columns(target, asked.method, scale, found["measured_axis"], details),
        "shown": shown,
    }


def _measure_points(target: Target, asked: TwoPointsIn) -> dict[str, Any]:
    first, second = (asked.first_xy[0], asked.first_xy[1]), (asked.second_xy[0], asked.second_xy[1])
    for x, y in (first, second):
        if not (0 <= x <= target.width and 0 <= y <= target.height):
            raise CalibrationError(
                f"The point {x:g}, {y:g} lies outside the picture of {target.width} x {target.height} px. "
                "Set both points inside it."
            )
    scale = measure_two_points(
        first,
        second,
        asked.length_um,
        length_um_sd=asked.length_um_sd,
        pointing_sd_px=asked.pointing_sd_px,
    )
    angle_deg = math.degrees(math.atan2(second[1] - first[1], second[0] - first[0])) % 180
    axis = name_axis(angle_deg)
    notes = [
        f"Each point is taken to be set to within {asked.pointing_sd_px:g} px (one standard deviation).",
        "Two points measure along their own direction only.",
        SETTING_CAUTION,
    ]
    if asked.length_um_sd == 0:
        notes.append("The length was taken as exact; its own uncertainty was not given.")
    given = asked.model_dump(exclude={"method"})
    details = {**given, "angle_deg": round(angle_deg, 3), "notes": notes}
    return _columns(target, asked.method, scale, axis, details)


def _take_file_scale(target: Target) -> dict[str, Any]:
    if target.file_um_per_px is None:
        raise CalibrationError(
            f"{target.file_name} states no usable scale of its own. Measure a stage micrometer instead."
        )
    source = f"file metadata ({target.file_scale_source})"
    scale = state_calibration(target.file_um_per_px, None, source=source)
    notes = [
        FILE_CAUTION,
        "The file gives no uncertainty; 2 % is assumed (our assumption, no source).",
        SETTING_CAUTION,
    ]
    return _columns(target, "file", scale, "both", {"notes": notes})


def _columns(
    target: Target, method: str, scale: Calibration, measured_axis: str, details: dict[str, Any]
) -> dict[str, Any]:
    return {
        **target.belongs,
        "method": method,
        "um_per_px": scale.um_per_px,
        "um_per_px_sd": scale.um_per_px_sd,
        "source": scale.source,
        "measured_axis": measured_axis,
        "details": details,
        "shown": None,
    }
