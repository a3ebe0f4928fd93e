"""Guessed ellipses, off about as much as the detector's own are."""

from __future__ import annotations

import numpy as np

from triage.records import Ellipse

# Place as a share of the width, sides, angle (our estimate).
_PLACE_SD, _SIDE_SD, _ANGLE_SD_DEG = 0.04, 0.07, 6.0


def disturb_guess(truth: Ellipse, rng: np.random.Generator) -> Ellipse:
    """An ellipse near `truth`, from which a search for its outline starts."""
    x, y = rng.normal(0, _PLACE_SD * truth.width_px, 2)
    sides = np.exp(rng.normal(0, _SIDE_SD, 2)) * (truth.length_px, truth.width_px)
    angle = truth.angle_deg + rng.normal(0, _ANGLE_SD_DEG)
    return Ellipse(truth.cx + x, truth.cy + y, float(sides.max()), float(sides.min()), angle)
