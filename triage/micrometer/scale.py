"""µm per pixel of a photographed stage micrometer, with its uncertainty and a picture of what was found."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.calibration import Calibration
from triage.errors import CalibrationError
from triage.images import Picture
from triage.micrometer.axis import name_axis
from triage.micrometer.overlay import draw_marks
from triage.micrometer.ruling import FoundRuling, find_ruling

SOURCE = "stage micrometer"
_POSSIBLE_DIVISION_UM = (0.1, 10_000.0)
# Keeps the work under a gigabyte; a phone's 12 million pixels are below it.
_MEASURED_PIXELS = 16_000_000
_SHOWN_SIDE_PX = 2400
_UNCERTAIN_RELATIVE_SD = 0.0015
# ITU-R BT.601 luma.
_LUMA = np.array([0.299, 0.587, 0.114])


@dataclass(frozen=True)
class RulingScale:
    """The scale of a photographed stage micrometer.

    Attributes
    ----------
    calibration : Calibration
        Across the marks, at the picture's centre.
    measured_axis : str
        `x` or `y` where the ruling lies within 10 degrees of that axis, else `oblique`.
    angle_deg : float
        From the picture's x axis to the ruling's axis, clockwise as seen, 0 up to 180.
    n_marks, n_divisions : int
        Marks that were used; divisions from the first to the last of them.
    division_um, division_px : float
        One division on the glass and in the picture.
    file_name, sha256, width, height
        The picture.
    notes : tuple of str
        What to know before the scale is used.
    """

    calibration: Calibration
    measured_axis: str
    angle_deg: float
    n_marks: int
    n_divisions: int
    division_um: float
    division_px: float
    file_name: str
    sha256: str
    width: int
    height: int
    notes: tuple[str, ...]


def calibrate_picture(
    picture: Picture, division_um: float, *, ruling_tolerance: float = 0.0
) -> tuple[RulingScale, NDArray[np.uint8]]:
    """The scale of a picture of a stage micrometer, and the picture with the marks found drawn over it.

    Parameters
    ----------
    picture : Picture
        Marks darker than the glass, at any rotation.
    division_um : float
        From mark to mark on the glass, as the micrometer's certificate or engraving says.
    ruling_tolerance : float
        Greatest relative error of the ruling itself that its maker allows, 0.001 for 1 µm in 1 mm.

    Raises
    ------
    CalibrationError
        If there is no ruling, or a number is impossible.

    Notes
    -----
    Each end of the tolerance and all between are taken as equally likely, so its standard uncertainty is the
    tolerance over the root of 3 (JCGM 100:2008, GUM, 4.3.7); it adds in square to the picture's own (5.1.2).
    """
    _check_numbers(division_um, ruling_tolerance)
    grey = _read_grey(picture)
    found = find_ruling(grey)
    scale = _state_scale(picture, grey.shape, found, division_um, ruling_tolerance)
    shown = draw_marks(picture.read_overview(_SHOWN_SIDE_PX), found, _caption(scale))
    return scale, shown


def scale_to_json(scale: RulingScale) -> dict[str, Any]:
    """The scale as plain values for `json.dumps`; the axis that the ruling can't tell is null."""
    um_per_px = _round_figures(scale.calibration.um_per_px)
    sd = _round_figures(scale.calibration.um_per_px_sd)
    axes = {axis: (um_per_px, sd) if scale.measured_axis == axis else (None, None) for axis in "xy"}
    return {
        "um_per_px": um_per_px,
        "um_per_px_sd": sd,
        "source": scale.calibration.source,
        "measured_axis": scale.measured_axis,
        "um_per_px_x": axes["x"][0],
        "um_per_px_x_sd": axes["x"][1],
        "um_per_px_y": axes["y"][0],
        "um_per_px_y_sd": axes["y"][1],
        "angle_deg": round(scale.angle_deg, 3),
        "n_marks": scale.n_marks,
        "n_divisions": scale.n_divisions,
        "division_um": scale.division_um,
        "division_px": _round_figures(scale.division_px),
        "image": {
            "file_name": scale.file_name,
            "sha256": scale.sha256,
            "width": scale.width,
            "height": scale.height,
        },
        "notes": list(scale.notes),
    }


def _check_numbers(division_um: float, ruling_tolerance: float) -> None:
    low, high = _POSSIBLE_DIVISION_UM
    if not low <= division_um <= high:
        raise CalibrationError(
            f"A division of {division_um} µm was given; it must be from {low} to {high:g} µm. "
            "Read it off the micrometer: 1 mm in 100 divisions is 10 µm."
        )
    if not 0 <= ruling_tolerance <= 0.1:
        raise CalibrationError(
            f"A tolerance of {ruling_tolerance} was given for the ruling; it must be from 0 to 0.1. "
            "Give it as a share of the length: 1 µm in 1 mm is 0.001."
        )


def _read_grey(picture: Picture) -> NDArray[np.float64]:
    factor = min(1.0, math.sqrt(_MEASURED_PIXELS / (picture.width * picture.height)))
    shape_hw = (max(1, round(picture.height * factor)), max(1, round(picture.width * factor)))
    pixels = picture.read_region(0, 0, shape_hw[1], shape_hw[0], scaled_to_hw=shape_hw)
    return np.asarray(pixels @ _LUMA)


def _state_scale(
    picture: Picture,
    shape_hw: tuple[int, ...],
    found: FoundRuling,
    division_um: float,
    ruling_tolerance: float,
) -> RulingScale:
    reduced = np.array([shape_hw[1] / picture.width, shape_hw[0] / picture.height])
    slope = found.fit.lattice.slope * reduced
    um_per_px = division_um * float(np.hypot(*slope))
    relative_sd = math.hypot(found.relative_sd, ruling_tolerance / math.sqrt(3))
    angle_deg = math.degrees(math.atan2(slope[1], slope[0])) % 180
    axis = name_axis(angle_deg)
    marks = found.marks
    return RulingScale(
        calibration=Calibration(um_per_px, relative_sd * um_per_px, SOURCE),
        measured_axis=axis,
        angle_deg=angle_deg,
        n_marks=len(marks),
        n_divisions=int(marks[-1] - marks[0]),
        division_um=division_um,
        division_px=division_um / um_per_px,
        file_name=picture.file_name,
        sha256=picture.sha256,
        width=picture.width,
        height=picture.height,
        notes=_list_notes(axis, angle_deg, relative_sd, ruling_tolerance),
    )


def _list_notes(axis: str, angle_deg: float, relative_sd: float, tolerance: float) -> tuple[str, ...]:
    notes = [
        "A ruling measures along its own axis only, here "
        + (f"along {axis}" if axis != "oblique" else f"at {angle_deg:.0f} degrees to x")
        + "; where pixels may not be square, photograph it along x and along y.",
        "The scale is that at the picture's centre. It holds for this microscope, objective, camera setting "
        "and picture size alone: digital zoom, or a camera that was moved, needs a new calibration.",
        "Look at the picture of the marks found: where only each fifth or tenth mark is drawn over, "
        "the others were too blurred, and the division stated must be that of the marks drawn over.",
        "Distortion by the lens is not part of the uncertainty.",
    ]
    if tolerance == 0:
        notes.append(
            "The ruling was taken as exact: its own tolerance was not given and is no part of the "
            "uncertainty."
        )
    if relative_sd > _UNCERTAIN_RELATIVE_SD:
        notes.append(
            f"The scale is uncertain by {100 * relative_sd:.2g} % (one standard deviation): bring more marks "
            "into the picture, sharper, and across its centre."
        )
    return tuple(notes)


def _caption(scale: RulingScale) -> str:
    um_per_px, sd = scale.calibration.um_per_px, scale.calibration.um_per_px_sd
    digits = max(3, min(9, 1 - math.floor(math.log10(sd))))
    # Spelled out: the font that comes with the imaging library has no Greek letter for it.
    return (
        f"{scale.n_divisions} divisions of {scale.division_um:g} micrometres: {um_per_px:.{digits}f} "
        f"± {sd:.{digits}f} micrometres per pixel"
    )


def _round_figures(value: float) -> float:
    return float(f"{value:.7g}")
