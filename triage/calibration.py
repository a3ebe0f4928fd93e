"""A microscope's µm per pixel with its uncertainty; pixels to micrometres and back, nowhere else."""

from __future__ import annotations

import math
from dataclasses import dataclass

from triage.errors import CalibrationError

# From a stationary electron-beam scale down to a macro lens; beyond lies a slip of the keyboard (our choice).
_POSSIBLE_UM_PER_PX = (0.001, 100.0)
# Taken where whoever states a scale states no uncertainty with it; our assumption, no source.
UNSTATED_RELATIVE_SD = 0.02


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
