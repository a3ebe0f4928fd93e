"""Scales that a person reads off: two points on a known length, and an eyepiece's own scale."""

from __future__ import annotations

import math

from triage.calibration import Calibration
from triage.errors import CalibrationError

# How well a person points at an edge on a screen, or reads a scale; our assumptions, no source.
POINTING_SD_PX = 1.0
READING_SD_DIVISIONS = 0.2
# Under a 100x objective a division spans about 1 µm, under 1x about 100; beyond lies a slip (our choice, no
# source).
_LEAST_DIVISION_UM, _MOST_DIVISION_UM = 0.01, 1000.0


def measure_two_points(
    first_xy: tuple[float, float],
    second_xy: tuple[float, float],
    length_um: float,
    *,
    length_um_sd: float = 0.0,
    pointing_sd_px: float = POINTING_SD_PX,
) -> Calibration:
    """The scale from two points set on the ends of a known length.

    Parameters
    ----------
    first_xy, second_xy : tuple of float
        The points, in pixels of the original picture.
    length_um, length_um_sd : float
        What lies between them, and its standard uncertainty.
    pointing_sd_px : float
        Standard uncertainty of one point along the length.

    Raises
    ------
    CalibrationError
        If the length isn't above 0, an uncertainty is negative, or the points lie so close that pointing
        alone makes the scale uncertain by a fifth.

    Notes
    -----
    Two independent points make the distance uncertain by the root of 2 times one point; relative variances
    add in a quotient (JCGM 100:2008, GUM, 5.1.2 and 5.1.6).
    """
    if not (length_um > 0 and length_um_sd >= 0 and pointing_sd_px >= 0):
        raise CalibrationError(
            f"A length of {length_um} µm with uncertainties of {length_um_sd} µm and {pointing_sd_px} px was "
            "given; the length must be above 0 and neither uncertainty below it. Enter them again."
        )
    length_px = math.dist(first_xy, second_xy)
    pointing_sd = math.sqrt(2) * pointing_sd_px
    if not length_px > max(5 * pointing_sd, 0):
        raise CalibrationError(
            f"The points lie {length_px:.1f} px apart; pointing to {pointing_sd_px:g} px needs more than "
            f"{5 * pointing_sd:.1f} px. Set them on a longer known length."
        )
    um_per_px = length_um / length_px
    relative_sd = math.hypot(pointing_sd / length_px, length_um_sd / length_um)
    return Calibration(um_per_px, relative_sd * um_per_px, "two points on a known length")


def measure_ocular_division(
    stage_divisions: float,
    ocular_divisions: float,
    *,
    stage_division_um: float = 10.0,
    reading_sd_divisions: float = READING_SD_DIVISIONS,
) -> tuple[float, float]:
    """µm that one division of an eyepiece's scale spans on the slide, and its standard uncertainty.

    Parameters
    ----------
    stage_divisions, ocular_divisions : float
        Divisions of the stage micrometer and of the eyepiece's scale that cover the same length.
    stage_division_um : float
        One division of the stage micrometer.
    reading_sd_divisions : float
        Standard uncertainty of reading one end, in divisions of the eyepiece's scale.

    Raises
    ------
    CalibrationError
        If a number of divisions or the division isn't above 0, the uncertainty is negative, or what comes out
        is no division of an eyepiece's scale.

    Notes
    -----
    Holds for one objective on one microscope.

    References
    ----------
    Stage divisions times the stage division over ocular divisions: College of the Canyons, ocular micrometer
    exercise.
    """
    if not (min(stage_divisions, ocular_divisions, stage_division_um) > 0 and reading_sd_divisions >= 0):
        raise CalibrationError(
            f"{stage_divisions} stage divisions of {stage_division_um} µm on {ocular_divisions} ocular "
            f"divisions, read to {reading_sd_divisions}, were given; the first three must be above 0 and the "
            "last not below it. Read them again."
        )
    um_per_division = stage_divisions * stage_division_um / ocular_divisions
    sd = um_per_division * math.sqrt(2) * reading_sd_divisions / ocular_divisions
    if not _LEAST_DIVISION_UM <= um_per_division <= _MOST_DIVISION_UM or not sd < um_per_division:
        raise CalibrationError(
            f"One division of the eyepiece's scale comes out as {um_per_division:.4g} ± {sd:.2g} µm; it must "
            f"lie from {_LEAST_DIVISION_UM} to {_MOST_DIVISION_UM:g} µm, with an uncertainty below itself. "
            "Read both scales again, over a longer length."
        )
    return um_per_division, sd
