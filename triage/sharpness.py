"""How sharp a picture is: one measure, what it says of the blur, and from where on it is too much."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from triage.images import Picture

# Sharpness is judged at this scale, about half of what a 10x objective resolves, or, where the scale is
# unknown, in the overview: at many pixels to a micrometre even the sharpest rim looks soft.
SHARPNESS_UM_PER_PX = 0.5
# Below it a picture counts as blurred. 47 photographs from the CDC's DPDx image library give 0.38 to 2.8;
# blurred by 3 px, 0.12 to 0.22. It is an edge blurred by 1.83 px, 0.91 µm at the scale above, of which the
# smallest spirurid egg (11 µm) is 12 times as wide: `triage.visibility` asks for 12 of all that it counts.
LEAST_SHARPNESS = 0.28
_FINE_PX, _COARSE_PX = 1.0, 4.0
# What an endless blur tends to.
_DULLEST = (_FINE_PX / _COARSE_PX) ** 2
# In grey levels; what a flat picture has is the rounding of its sums.
_LEAST_EDGE = 1e-6
_SAMPLE_PX = 512
_SAMPLES_A_SIDE = 4


@dataclass(frozen=True)
class Focus:
    """Sharpness of the sharpest part of a picture.

    Attributes
    ----------
    sharpness : float
        See `measure_sharpness`.
    um_per_px : float or None
        Scale that it was measured at; None where the picture's own is unknown.
    """

    sharpness: float
    um_per_px: float | None

    @property
    def is_blurred(self) -> bool:
        """Whether it lies below `LEAST_SHARPNESS`."""
        return self.sharpness < LEAST_SHARPNESS

    @property
    def blur_um(self) -> float | None:
        """Standard deviation in µm of the blur of a straight edge of this sharpness; None without a scale."""
        return None if self.um_per_px is None else blur_px(self.sharpness) * self.um_per_px


def measure_sharpness(grey: NDArray[np.float64]) -> float:
    """Strongest Laplacian at a scale of 1 px over that at 4 px, both scale-normalised; 0 without any edge.

    References
    ----------
    The Laplacian as a measure of focus: Pech-Pacheco et al. 2000, ICPR 3:314-317 (from memory). Taking it at
    two scales makes it independent of contrast.
    """
    fine, coarse = (
        float(np.percentile(np.abs(sigma**2 * ndimage.gaussian_laplace(grey, sigma)), 99.5))
        for sigma in (_FINE_PX, _COARSE_PX)
    )
    return fine / coarse if coarse > _LEAST_EDGE else 0.0


def blur_px(sharpness: float) -> float:
    """Standard deviation in px of the Gaussian blur that gives a straight edge this sharpness.

    Notes
    -----
    Worked out here: a step of height h blurred by b has its strongest normalised Laplacian at scale s at
    h s² / ((s² + b²) sqrt(2 pi e)), so the sharpness is (16 + b²) / (16 (1 + b²)). Lines are sharper than
    edges of the same blur, so b is the least that a picture is blurred by: 0 for 1 and above, infinite
    for 1/16 and below.
    """
    if sharpness >= 1:
        return 0.0
    if sharpness <= _DULLEST:
        return math.inf
    return math.sqrt((1 - sharpness) * _COARSE_PX**2 / (_COARSE_PX**2 * sharpness - 1))


def measure_focus(picture: Picture, um_per_px: float | None, *, overview_px: int) -> Focus:
    """Sharpness of the sharpest of some samples spread over the picture.

    Parameters
    ----------
    picture : Picture
    um_per_px : float or None
        Its scale.
    overview_px : int
        Longer side that it is measured at where its scale is unknown.
    """
    if um_per_px is None:
        factor = min(1.0, overview_px / max(picture.width, picture.height))
    else:
        factor = min(1.0, um_per_px / SHARPNESS_UM_PER_PX)
    rows, columns = max(1, round(picture.height * factor)), max(1, round(picture.width * factor))
    height, width = min(_SAMPLE_PX, rows), min(_SAMPLE_PX, columns)
    lefts = np.unique(np.linspace(0, columns - width, _SAMPLES_A_SIDE).astype(int))
    tops = np.unique(np.linspace(0, rows - height, _SAMPLES_A_SIDE).astype(int))
    samples = (
        picture.read_region(int(x), int(y), width, height, scaled_to_hw=(rows, columns))
        for y, x in product(tops, lefts)
    )
    sharpness = max(measure_sharpness(sample.astype(np.float64).mean(axis=2)) for sample in samples)
    return Focus(sharpness, None if um_per_px is None else um_per_px / factor)
