"""What a microscope shows of a coverslip: field of view, resolved distance, fields and passes."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from triage.errors import RecordError

# Middle of green light, the usual filter and the eye's best; our choice.
GREEN_UM = 0.55
# Just over the two samples that sampling theory asks for (Univ. of Arizona imaging table, citing Inoue 1986;
# the studylib text "Microscope basics" prints the same).
SAMPLES_PER_RESOLVED_DISTANCE = 2.3
# Usual marking on plan achromats: from memory, no source. Read the objective itself where it matters.
_USUAL_NUMERICAL_APERTURES = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65, 100.0: 1.25}
# Immersion oil ends it a little above 1.5; beyond lies a slip of the keyboard (our choice).
_MOST_NUMERICAL_APERTURE = 1.6
# As engraved or typed: "10x/0.25", "Plan 40 × / 0,65", "20x NA 0.4".
_MAGNIFICATION = re.compile(r"(\d+(?:[.,]\d+)?)\s*[x×]", re.IGNORECASE)
_APERTURE = re.compile(r"(?:/|\bn\.?\s?a\.?\s*[=:]?)\s*([01][.,]\d+)", re.IGNORECASE)
# 22 / 2.2 and 18 / 1.8 may land a hair above a whole number in floating point.
_DIGITS_BEFORE_CEIL = 9
_SHORTEST_MM, _LONGEST_MM = 0.001, 1000


@dataclass(frozen=True)
class Objective:
    """Magnification and numerical aperture, as engraved.

    `is_aperture_usual` says that the aperture was not read from it, but is the usual one.

    Raises
    ------
    RecordError
        If the magnification is not above 0, or the aperture not above 0 and at most 1.6.
    """

    magnification: float
    numerical_aperture: float
    is_aperture_usual: bool = False

    def __post_init__(self) -> None:
        _require_positive("The magnification of the objective", self.magnification, "x")
        if not 0 < self.numerical_aperture <= _MOST_NUMERICAL_APERTURE:
            raise RecordError(
                f"The numerical aperture is {self.numerical_aperture}; it must be above 0 and at most "
                f"{_MOST_NUMERICAL_APERTURE}. Read it from the side of the objective."
            )


@dataclass(frozen=True)
class Coverage:
    """How much looking a whole coverslip takes.

    Attributes
    ----------
    field_mm : float
        Diameter of the field of view.
    area_ratio : float
        Coverslip over field, the least number of fields in theory.
    n_passes : int
        Strips, enough only where the stage moves on without a stop.
    n_gap_free_fields : int
        Still fields on a square grid that leave no gap.
    """

    field_mm: float
    area_ratio: float
    n_passes: int
    n_gap_free_fields: int


def usual_objective(magnification: float) -> Objective | None:
    """The common plan achromat of 4, 10, 20, 40 or 100x (apertures from memory); None for another."""
    aperture = _USUAL_NUMERICAL_APERTURES.get(magnification)
    return None if aperture is None else Objective(magnification, aperture, is_aperture_usual=True)


def read_objective(text: str) -> Objective | None:
    """The objective that a person named, for instance `10x/0.25` or `Plan 40x`; None if it can't be told.

    Parameters
    ----------
    text : str
        The first number before an `x` is the magnification; an aperture follows a stroke or `NA`.

    Returns
    -------
    objective : Objective or None
        Without an aperture that is possible, the usual one of that magnification, if it has one.
    """
    found = _MAGNIFICATION.search(text)
    if found is None:
        return None
    magnification = _to_number(found.group(1))
    engraved = _APERTURE.search(text)
    aperture = _to_number(engraved.group(1)) if engraved else 0.0
    if magnification > 0 and 0 < aperture <= _MOST_NUMERICAL_APERTURE:
        return Objective(magnification, aperture)
    return usual_objective(magnification)


def _to_number(text: str) -> float:
    return float(text.replace(",", "."))


def field_diameter_mm(field_number_mm: float, magnification: float, *, tube_factor: float = 1.0) -> float:
    """Diameter of the field of view at the object, in mm.

    Parameters
    ----------
    field_number_mm : float
        FN, engraved on the eyepiece.
    magnification : float
        Of the objective; that of the eyepiece plays no part.
    tube_factor : float
        Of a lens or magnification changer between the two.

    Raises
    ------
    RecordError
        If one of them is not above 0.

    References
    ----------
    FN / magnification: Edmund Optics glossary; Boru field-of-view chart.
    """
    _require_positive("The field number", field_number_mm, "mm")
    _require_positive("The magnification of the objective", magnification, "x")
    _require_positive("The tube factor", tube_factor, "x")
    return field_number_mm / (magnification * tube_factor)


def rayleigh_um(objective: Objective, *, wavelength_um: float = GREEN_UM) -> float:
    """Least distance in µm at which two points are seen as two, after Rayleigh.

    References
    ----------
    0.61 wavelength / NA: studylib text "Microscope basics"; Univ. of Arizona imaging table.
    """
    _require_positive("The wavelength", wavelength_um, "µm")
    return 0.61 * wavelength_um / objective.numerical_aperture


def abbe_um(objective: Objective, *, wavelength_um: float = GREEN_UM) -> float:
    """Period in µm of the finest grating that is still shown, after Abbe.

    References
    ----------
    wavelength / (2 NA): studylib text "Microscope basics".
    """
    _require_positive("The wavelength", wavelength_um, "µm")
    return wavelength_um / (2 * objective.numerical_aperture)


def largest_useful_um_per_px(objective: Objective, *, wavelength_um: float = GREEN_UM) -> float:
    """Coarsest scale that keeps all that the objective resolves; a finer one adds pixels, not detail."""
    return rayleigh_um(objective, wavelength_um=wavelength_um) / SAMPLES_PER_RESOLVED_DISTANCE


def plan_coverage(coverslip_mm: float, field_mm: float, *, overlap: float = 0.0) -> Coverage:
    """Passes and fields over a square coverslip.

    Parameters
    ----------
    coverslip_mm : float
        Side of the coverslip.
    field_mm : float
        Diameter of the round field of view.
    overlap : float
        Share of the field that neighbouring passes have in common, 0 up to below 1.

    Raises
    ------
    RecordError
        If a length is below 1 µm or above 1 m, or the overlap is out of its range.

    Notes
    -----
    Worked out here: passes ceil(s / ((1 - overlap) D)); a still field covers without gaps the square inside
    its circle, so ceil(s √2 / D) a side; area ratio s² / (π D² / 4).
    """
    _require_length("The side of the coverslip", coverslip_mm)
    _require_length("The diameter of the field", field_mm)
    if not 0 <= overlap < 1:
        raise RecordError(
            f"The overlap is {overlap}; it must be 0 or more and below 1. For 10 % overlap give 0.1."
        )
    return Coverage(
        field_mm=field_mm,
        area_ratio=coverslip_mm**2 / (math.pi * field_mm**2 / 4),
        n_passes=_ceil(coverslip_mm / ((1 - overlap) * field_mm)),
        n_gap_free_fields=_ceil(coverslip_mm * math.sqrt(2) / field_mm) ** 2,
    )


def _ceil(quotient: float) -> int:
    return max(1, math.ceil(round(quotient, _DIGITS_BEFORE_CEIL)))


def _require_positive(name: str, value: float, unit: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise RecordError(f"{name} is {value} {unit}; it must be a number above 0. Check what was typed.")


def _require_length(name: str, value_mm: float) -> None:
    _require_positive(name, value_mm, "mm")
    if not _SHORTEST_MM <= value_mm <= _LONGEST_MM:
        raise RecordError(
            f"{name} is {value_mm:g} mm; from {_SHORTEST_MM} to {_LONGEST_MM} mm can be planned for. "
            "Check what was typed."
        )
