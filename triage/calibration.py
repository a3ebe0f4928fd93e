"""A microscope's µm per pixel with its uncertainty; pixels to micrometres and back, nowhere else."""

from __future__ import annotations

import math
from dataclasses import dataclass

from triage.errors import CalibrationError

# From a stationary electron-beam scale down to a macro lens; beyond lies a slip of the keyboard (our choice).
_POSSIBLE_UM_PER_PX = (0.001, 100.0)
# Taken where whoever states a scale states no uncertainty with it; our assumption, no source.
UNSTATED_RELATIVE_SD = 0.02
# Rounding to whole pixels shifts the aspect of a 400 px wide copy by 0.2 %; other aspects of cameras lie
# 10 % and more apart (our choice, no source).
SAME_ASPECT_TOLERANCE = 0.005
# Beyond it one scale for both axes would cost more than the calibration gains (our choice, no source).
SQUARE_TOLERANCE = 0.02
# Half-width of a 95 % interval of a normal distribution, in standard deviations.
COVERAGE_FACTOR_95 = 1.96


@dataclass(frozen=True)
class Calibration:
    """Scale of a picture.

    Attributes
    ----------
    um_per_px : float
        µm per pixel of the original picture.
    um_per_px_sd : float
        Its standard uncertainty, in µm per pixel.
    source : str
        Where it comes from, for instance `stage micrometer` or `file metadata`.

    Raises
    ------
    CalibrationError
        If the scale is impossible, or its uncertainty is negative or as large as the scale.
    """

    um_per_px: float
    um_per_px_sd: float
    source: str

    def __post_init__(self) -> None:
        low, high = _POSSIBLE_UM_PER_PX
        if not (math.isfinite(self.um_per_px) and low <= self.um_per_px <= high):
            raise CalibrationError(
                f"Calibration gives {self.um_per_px} µm per pixel; it must lie between {low} and {high:g}. "
                "Measure a stage micrometer at this objective again."
            )
        if not (math.isfinite(self.um_per_px_sd) and 0 <= self.um_per_px_sd < self.um_per_px):
            raise CalibrationError(
                f"The uncertainty of the calibration is {self.um_per_px_sd} µm per pixel; it must be 0 or "
                f"more and less than the scale itself ({self.um_per_px}). Give one standard deviation."
            )


def state_calibration(um_per_px: float, um_per_px_sd: float | None, *, source: str) -> Calibration:
    """A calibration from a stated scale; without a stated uncertainty, 2 % of it is assumed."""
    if um_per_px_sd is None:
        um_per_px_sd = UNSTATED_RELATIVE_SD * um_per_px if um_per_px > 0 else 0.0
    return Calibration(um_per_px, um_per_px_sd, source)


def measure_um(length_px: float, length_px_sd: float, calibration: Calibration) -> tuple[float, float]:
    """A length in µm and its standard uncertainty, from pixels of the picture that `calibration` belongs to.

    References
    ----------
    Product of two independent measured values: JCGM 100:2008 (GUM), 5.1.2.
    """
    length_um = length_px * calibration.um_per_px
    sd_um = math.hypot(length_px_sd * calibration.um_per_px, length_px * calibration.um_per_px_sd)
    return length_um, sd_um


def to_px(length_um: float, calibration: Calibration) -> float:
    """How many pixels of the picture a length in µm spans."""
    return length_um / calibration.um_per_px


def scale_to_resized(
    calibration: Calibration, calibrated_wh: tuple[int, int], picture_wh: tuple[int, int]
) -> Calibration:
    """The scale in a picture that is the calibrated one resized, upright or turned a quarter.

    Parameters
    ----------
    calibration : Calibration
        Of pictures of the size `calibrated_wh`.
    calibrated_wh, picture_wh : tuple of int
        Width and height in pixels.

    Raises
    ------
    CalibrationError
        If the aspects differ by more than 0.5 %: part of the field was cut away, or it is another sensor's.

    Notes
    -----
    A crop of the same aspect can't be told from a resized whole, and its scale is another. Sides are whole
    pixels, so the two sides may give slightly different factors; all between them are taken as equally likely
    (JCGM 100:2008, GUM, 4.3.7).
    """
    if sorted(calibrated_wh) == sorted(picture_wh):
        return calibration
    longer = max(calibrated_wh) / max(picture_wh)
    shorter = min(calibrated_wh) / min(picture_wh)
    factor = (longer + shorter) / 2
    if abs(longer - shorter) > SAME_ASPECT_TOLERANCE * factor:
        raise CalibrationError(
            f"The calibration belongs to pictures of {calibrated_wh[0]} x {calibrated_wh[1]} px; this one "
            f"has {picture_wh[0]} x {picture_wh[1]} px, which is not the same picture resized: the aspects "
            f"differ by {100 * abs(longer - shorter) / factor:.2g} %, {100 * SAME_ASPECT_TOLERANCE:g} % is "
            "allowed. Use the camera's full size, or calibrate at this size."
        )
    um_per_px = calibration.um_per_px * factor
    sd = math.hypot(
        calibration.um_per_px_sd * factor,
        calibration.um_per_px * abs(longer - shorter) / 2 / math.sqrt(3),
    )
    return Calibration(um_per_px, sd, calibration.source)


def join_axes(along_x: Calibration, along_y: Calibration) -> Calibration:
    """One scale for lengths in any direction, from one along x and one along y.

    Raises
    ------
    CalibrationError
        If the two differ by more than 2 %: one scale can't serve both.

    Notes
    -----
    A length may lie in any direction, so every scale between the two is taken as equally likely, and half
    their difference over the root of 3 adds in square to what they bring along (JCGM 100:2008, GUM, 4.3.7).
    """
    mean = (along_x.um_per_px + along_y.um_per_px) / 2
    difference = abs(along_x.um_per_px - along_y.um_per_px)
    if difference > SQUARE_TOLERANCE * mean:
        raise CalibrationError(
            f"The scale is {along_x.um_per_px:.5g} µm per pixel along x and {along_y.um_per_px:.5g} along "
            f"y; they differ by {100 * difference / mean:.2g} %, {100 * SQUARE_TOLERANCE:g} % is allowed. "
            "Check that both were photographed alike, at a picture size that isn't stretched."
        )
    own_sd = math.hypot(along_x.um_per_px_sd, along_y.um_per_px_sd) / 2
    sd = math.hypot(own_sd, difference / 2 / math.sqrt(3))
    return Calibration(mean, sd, along_x.source)


def has_drifted(newer: Calibration, older: Calibration) -> bool:
    """Whether two scales of one setting differ by more than their uncertainties explain in 95 % of cases.

    References
    ----------
    Difference of two independent values over its standard uncertainty, normal distribution, coverage factor
    1.96: JCGM 100:2008, GUM, 5.1.2 and G.1.3.
    """
    spread = math.hypot(newer.um_per_px_sd, older.um_per_px_sd)
    return abs(newer.um_per_px - older.um_per_px) > COVERAGE_FACTOR_95 * spread
