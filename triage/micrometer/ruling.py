"""The ruling of a stage micrometer in a picture: searched, its marks sighted, a lattice fitted."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.errors import CalibrationError
from triage.micrometer.lattice import Fit, Lattice, fit_lattice
from triage.micrometer.marks import Sightings, see_marks, smooth_once
from triage.micrometer.search import Sight, find_stripes, flatten_light, follow_stripes

Floats = NDArray[np.float64]

# What parts a ruling from stripes that happen to be there. Between what 150 drawn rulings gave and what drawn
# slides, writing, fibres and plain glass gave; our choice, no source.
MIN_MARKS = 6
_MAX_RMS = 0.03
_MIN_EXPLAINED = 0.8
_MIN_PRESENT = 0.7
_MIN_CONTRAST = 0.03
_MAX_PATCHINESS = 0.15
_SIGHTING_ROUNDS = 3
_TRIED_STRIPES = 3
# What interpolation between pixels can shift either end of the ruling by, seen on drawn rulings.
_PIXEL_GRID_PX = 0.008
_SEARCHED_PIXELS = 3_000_000
# Marks this far apart in the reduced picture are seen there; only closer ones are sought in the whole again.
_SEEN_REDUCED_PX = 12.0
_LEAST_SIDE_PX = 32


@dataclass(frozen=True)
class FoundRuling:
    """A ruling found in a picture.

    Attributes
    ----------
    fit : Fit
        Mark number at each place, and the spacing's uncertainty.
    sightings : Sightings
        The marks as seen.
    """

    fit: Fit
    sightings: Sightings

    @property
    def relative_sd(self) -> float:
        """Standard uncertainty of the spacing as a share of it, all that is known of it put together."""
        seen = self.sightings.xy[self.fit.kept] @ self.fit.lattice.axis_xy
        return math.hypot(self.fit.relative_sd, math.sqrt(2) * _PIXEL_GRID_PX / float(np.ptp(seen)))

    @property
    def marks(self) -> NDArray[np.int_]:
        """Numbers of the marks that were used, rising."""
        return np.unique(self.sightings.marks[self.fit.kept])


def find_ruling(grey: Floats) -> FoundRuling:
    """The ruling in a grey picture, at any rotation; its marks darker than the glass.

    Parameters
    ----------
    grey : ndarray of shape (height, width)
        Brightness, 0 to 255.

    Raises
    ------
    CalibrationError
        If no evenly spaced marks are found.
    """
    factor = math.sqrt(_SEARCHED_PIXELS / grey.size)
    found = _try_ruling(grey, factor) if factor < 1 else None
    # Marks that stand close may be lost when the picture is reduced.
    found = found or _try_ruling(grey, 1.0, _SEEN_REDUCED_PX / factor if factor < 1 else math.inf)
    if found is None:
        raise CalibrationError(
            f"No ruling was found: at least {MIN_MARKS} dark, evenly spaced, straight marks are needed. "
            "Photograph a stage micrometer in focus, its marks reaching over much of the picture."
        )
    return found


def _try_ruling(grey: Floats, factor: float, most_px: float = math.inf) -> FoundRuling | None:
    if min(grey.shape) * min(factor, 1) < _LEAST_SIDE_PX:
        return None
    searched = grey
    if factor < 1:
        searched = np.asarray(cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA))
    flat = flatten_light(searched, min(searched.shape) / 12)
    for stripes in find_stripes(flat, most_px)[:_TRIED_STRIPES]:
        sight = follow_stripes(flat, stripes)
        if sight is None:
            continue
        sight = _enlarge(sight, grey.shape[1], grey.shape[0])
        fine = flatten_light(grey, max(12.0, 2.5 * sight.lattice.division_px))
        found = _sight_marks(smooth_once(fine), sight)
        if found is not None and _is_ruling(found):
            return found
    return None


def _enlarge(sight: Sight, width: int, height: int) -> Sight:
    """What was seen in a reduced picture, in the pixels of the whole one."""
    lattice = Lattice(sight.lattice.coefficients, width, height)
    scale = lattice.half_diagonal_px / sight.lattice.half_diagonal_px
    return Sight(lattice, sight.first_mark, sight.reach * scale)


def _sight_marks(coefficients: Floats, sight: Sight) -> FoundRuling | None:
    """The marks looked at one by one, a few times over, each time from a better lattice."""
    found = None
    for _ in range(_SIGHTING_ROUNDS):
        sightings = see_marks(coefficients, sight)
        if sightings is None or len(np.unique(sightings.marks)) < MIN_MARKS:
            return None
        found = FoundRuling(fit_lattice(sight.lattice, sightings.xy, sightings.marks), sightings)
        sight = replace(sight, lattice=found.fit.lattice)
    return found


def _is_ruling(found: FoundRuling) -> bool:
    seen = found.sightings
    return (
        len(found.marks) >= MIN_MARKS
        and found.fit.rms < _MAX_RMS
        and seen.explained > _MIN_EXPLAINED
        and seen.present > _MIN_PRESENT
        and seen.contrast > _MIN_CONTRAST
        and seen.patchiness < _MAX_PATCHINESS
    )
