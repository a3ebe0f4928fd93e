"""What of a picture could be assessed, and which groups it can't show."""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from triage.groups import read_groups
from triage.images import Picture
from triage.records import Adequacy

# An object needs about this many pixels across its width to be proposed honestly.
LEAST_WIDTH_PX = 12.0
_OVERVIEW_PX = 1024
_SAMPLE_PX = 512
_SAMPLES_A_SIDE = 4
# Below this brightness, of 255, lies the dark surround of an eyepiece, which shows nothing.
_LEAST_GREY = 20.0
# At this brightness the camera is full. Dark objects still show on it, thin clear walls may not.
_BURNT_OUT_GREY = 253.0
_MOST_BURNT_OUT = 0.3
# Spread of brightness, of 255, below which even the thin wall of a hookworm-type egg drowns (our choice).
_LEAST_CONTRAST = 3.0
# Sharpness is judged at this scale, about half of what a 10x objective resolves, or, where the scale is
# unknown, in the overview: at many pixels to a micrometre even the sharpest rim looks soft.
_SHARPNESS_UM_PER_PX = 0.5
# 47 photographs from the CDC's DPDx image library give 0.38 to 2.8; blurred by 3 px, 0.12 to 0.22.
_LEAST_SHARPNESS = 0.28


def assess_adequacy(picture: Picture, um_per_px: float | None, finest_um_per_px: float | None) -> Adequacy:
    """How far a picture can show what is looked for.

    Parameters
    ----------
    picture : Picture
    um_per_px : float or None
        Scale of the picture; None if unknown.
    finest_um_per_px : float or None
        Finest scale that the detector saw it at.

    Returns
    -------
    adequacy : Adequacy
        `assessed_fraction` is the share of the area that is not black, and 0 where the whole picture is too
        small for any object.
    """
    notes = list(picture.remarks)
    is_too_small = min(picture.width, picture.height) < LEAST_WIDTH_PX
    if is_too_small:
        notes.append(
            f"The picture is {picture.width} x {picture.height} px; nothing can be recognised below "
            f"{LEAST_WIDTH_PX:g} px."
        )
    fraction, usable_notes = (0.0, []) if is_too_small else _judge_pixels(picture, um_per_px)
    if um_per_px is None:
        notes.append(
            "The scale is unknown: sizes can't be measured, and which groups the picture could show "
            "can't be said."
        )
    return Adequacy(
        assessed_fraction=round(fraction, 4),
        notes=(*notes, *usable_notes),
        groups_not_resolvable=find_unresolvable(um_per_px, finest_um_per_px),
    )


def find_unresolvable(um_per_px: float | None, finest_um_per_px: float | None) -> tuple[str, ...]:
    """Groups whose smallest member is under 12 px wide at the scale that was seen; none if it is unknown."""
    if um_per_px is None or finest_um_per_px is None:
        return ()
    seen_um_per_px = max(um_per_px, finest_um_per_px)
    return tuple(
        group.name
        for group in read_groups()
        if group.kind == "candidate"
        and group.smallest_width_um is not None
        and group.smallest_width_um / seen_um_per_px < LEAST_WIDTH_PX
    )


def _judge_pixels(picture: Picture, um_per_px: float | None) -> tuple[float, list[str]]:
    grey = picture.read_overview(_OVERVIEW_PX).astype(np.float64).mean(axis=2)
    is_lit = grey >= _LEAST_GREY
    fraction = float(is_lit.mean())
    notes = []
    if fraction < 0.95:
        notes.append(f"{100 * (1 - fraction):.0f} % of the area is black and shows nothing.")
    if float((grey >= _BURNT_OUT_GREY).mean()) > _MOST_BURNT_OUT:
        notes.append(
            "Much of the picture is burnt out; thin walls may not show. Take it again with less light."
        )
    if fraction > 0 and measure_contrast(grey[is_lit]) < _LEAST_CONTRAST:
        notes.append("The picture has hardly any contrast; thin-walled objects would not show.")
    elif fraction > 0 and _sharpest(picture, um_per_px) < _LEAST_SHARPNESS:
        notes.append("The picture looks blurred; objects may not be told apart. Take it again in focus.")
    return fraction, notes


def measure_contrast(grey: NDArray[np.float64]) -> float:
    """Range that holds 98 % of brightness values, in grey levels of 255."""
    low, high = np.percentile(grey, [1, 99])
    return float(high - low)


def measure_sharpness(grey: NDArray[np.float64]) -> float:
    """Strongest Laplacian at a scale of 1 px over that at 4 px, both scale-normalised; 0 without any edge.

    References
    ----------
    The Laplacian as a measure of focus: Pech-Pacheco et al. 2000, ICPR 3:314-317 (from memory). Taking it at
    two scales makes it independent of contrast.
    """
    fine, coarse = (
        float(np.percentile(np.abs(sigma**2 * ndimage.gaussian_laplace(grey, sigma)), 99.5))
        for sigma in (1.0, 4.0)
    )
    return fine / coarse if coarse > 0 else 0.0


def _sharpest(picture: Picture, um_per_px: float | None) -> float:
    """Sharpness of the sharpest of some samples spread over the picture."""
    if um_per_px is None:
        factor = _OVERVIEW_PX / max(picture.width, picture.height)
    else:
        factor = um_per_px / _SHARPNESS_UM_PER_PX
    factor = min(1.0, factor)
    rows, columns = max(1, round(picture.height * factor)), max(1, round(picture.width * factor))
    height, width = min(_SAMPLE_PX, rows), min(_SAMPLE_PX, columns)
    lefts = np.unique(np.linspace(0, columns - width, _SAMPLES_A_SIDE).astype(int))
    tops = np.unique(np.linspace(0, rows - height, _SAMPLES_A_SIDE).astype(int))
    samples = (
        picture.read_region(int(x), int(y), width, height, scaled_to_hw=(rows, columns))
        for y, x in product(tops, lefts)
    )
    return max(measure_sharpness(sample.astype(np.float64).mean(axis=2)) for sample in samples)
