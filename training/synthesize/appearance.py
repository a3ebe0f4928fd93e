"""How a scene is looked at: random microscopes, lamps, cameras and amounts of debris."""

from __future__ import annotations

import numpy as np

from training.synthesize.camera import Camera, Light
from training.synthesize.debris import LAYERS, Debris
from training.synthesize.kinds.chance import log_even
from training.synthesize.optics import Optics
from training.synthesize.style import Span

# Empty fields seen through microscopes, as stored in pictures: white, greys, yellow, orange, olive, mint,
# teal, blue, lilac, pink. Chosen by eye.
_FIELD_COLOURS = np.array(
    [
        (0.96, 0.96, 0.97),
        (0.93, 0.92, 0.93),
        (0.90, 0.90, 0.92),
        (0.84, 0.83, 0.85),
        (0.80, 0.80, 0.82),
        (0.76, 0.77, 0.86),
        (0.80, 0.84, 0.93),
        (0.72, 0.70, 0.78),
        (0.88, 0.83, 0.80),
        (0.97, 0.92, 0.80),
        (0.97, 0.93, 0.84),
        (0.96, 0.86, 0.66),
        (0.94, 0.80, 0.58),
        (0.86, 0.85, 0.70),
        (0.80, 0.80, 0.58),
        (0.86, 0.88, 0.76),
        (0.78, 0.84, 0.74),
        (0.70, 0.76, 0.70),
        (0.66, 0.86, 0.76),
        (0.38, 0.66, 0.62),
        (0.30, 0.58, 0.50),
        (0.72, 0.85, 0.93),
        (0.66, 0.74, 0.84),
        (0.72, 0.50, 0.68),
    ]
)
_STAINS = np.array(
    [(0.08, 0.35, 1.2), (0.15, 0.45, 0.9), (0.2, 0.9, 0.5), (0.3, 0.9, 0.35), (0.9, 0.5, 0.25)]
)
_DEBRIS_TINTS = np.array(
    [
        (1.0, 1.0, 1.05),
        (0.85, 0.95, 1.05),
        (0.6, 0.8, 1.0),
        (0.45, 0.7, 1.0),
        (0.25, 0.55, 1.0),
        (0.9, 0.8, 0.9),
    ]
)


_RELIEF_SHARE = 0.12
"""Pictures shaded as by differential interference or a half-closed condenser; chosen by eye."""


def _floats(values: np.ndarray) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def draw_optics(rng: np.random.Generator, um_per_px: float, softness: float, resolved_px: Span) -> Optics:
    """A microscope whose resolved distance fits the pixel, focused more or less well.

    The depth of field is lambda / NA² (wave part alone; optics handbooks, from memory).
    """
    resolved_um = log_even(rng, *resolved_px) * um_per_px
    na = float(np.clip(0.55 / (2 * resolved_um), 0.06, 1.25))
    field_um = 0.55 / na**2
    side = rng.choice([-1.0, 1.0])
    near = rng.normal(0, 1.0) * softness * field_um
    slabs = (near, side * rng.uniform(4, 14) * field_um, -side * rng.uniform(0.5, 3) * softness * field_um)
    chromatic = rng.normal(0, 0.25) * field_um
    turn, oblique = rng.uniform(0, 2 * np.pi), abs(rng.normal(0, 0.10))
    if rng.random() < _RELIEF_SHARE:
        oblique = log_even(rng, 0.3, 2.0)
    return Optics(
        na=na,
        condenser_na=na * rng.uniform(0.3, 0.9),
        slab_z_um=_floats(np.array(slabs)),
        colour_z_um=(chromatic, 0.0, -chromatic * rng.uniform(0.3, 1.5)),
        oblique_xy=(oblique * np.cos(turn), oblique * np.sin(turn)),
        schlieren=rng.uniform(0.3, 1.0),
    )


def draw_light(
    rng: np.random.Generator, shape_hw: tuple[int, int], eyepiece_share: float, stain_share: float
) -> Light:
    """A lamp, its colour and its faults."""
    colour = _FIELD_COLOURS[rng.integers(len(_FIELD_COLOURS))] if rng.random() < 0.75 else _any_colour(rng)
    colour = np.clip(colour * np.exp(rng.normal(0, 0.03, 3) + rng.normal(0.06, 0.08)), 0.08, 1.03)
    slope_turn, slope = rng.uniform(0, 2 * np.pi), abs(rng.normal(0, 0.06))
    stain = _STAINS[rng.integers(len(_STAINS))] * log_even(rng, 0.1, 1.2) * (rng.random() < stain_share)
    return Light(
        colour=_floats(colour),
        contrast=rng.uniform(0.6, 1.15),
        stain=_floats(stain),
        tint=_floats(np.exp(rng.normal(0, 0.06, 3))),
        slope_xy=(slope * np.cos(slope_turn), slope * np.sin(slope_turn)),
        vignette=max(0.0, rng.normal(0.04, 0.1)),
        vignette_xy=_floats(rng.normal(0.5, 0.15, 2)),
        eyepiece=_draw_eyepiece(rng, shape_hw) if rng.random() < eyepiece_share else (0.0, 0.0, 0.0, 1.0),
    )


def _any_colour(rng: np.random.Generator) -> np.ndarray:
    """A grey turned a little to some colour."""
    return rng.uniform(0.5, 1.0) * np.exp(rng.normal(0, 0.09, 3))


def _draw_eyepiece(rng: np.random.Generator, shape_hw: tuple[int, int]) -> tuple[float, ...]:
    """A circle whose edge crosses the picture."""
    height, width = shape_hw
    radius = rng.uniform(0.42, 1.2) * max(height, width)
    turn = rng.uniform(0, 2 * np.pi)
    away = max(0.0, radius - rng.uniform(0.3, 0.5) * min(height, width))
    centre = width / 2 + away * np.cos(turn), height / 2 + away * np.sin(turn)
    return (*_floats(np.array(centre)), float(radius), log_even(rng, 0.8, 8.0))


def draw_camera(rng: np.random.Generator) -> Camera:
    """A camera or a phone, from clean to poor."""
    return Camera(
        blur_px=log_even(rng, 0.2, 1.0),
        sharpen=rng.uniform(0.2, 3.0) * (rng.random() < 0.75),
        sharpen_px=rng.uniform(0.6, 1.8),
        colour_shift_xy=_floats(rng.normal(0, 0.35, 2) * (rng.random() < 0.5)),
        grain=log_even(rng, 0.002, 0.035),
        coarse_grain=log_even(rng, 0.001, 0.012),
        saturation=rng.uniform(0.6, 1.15),
        jpeg_quality=rng.uniform(35, 98) if rng.random() < 0.7 else 101.0,
        jpeg_shift_xy=_floats(rng.integers(0, 16, 2)),
    )


def draw_debris(rng: np.random.Generator, um_per_px: float, clutter: float) -> Debris:
    """Clouds of grains in each depth, more of them the higher `clutter` (0 to 1)."""
    base_um = um_per_px * log_even(rng, 2.8, 9.0)
    cover = np.where(rng.random(LAYERS) < 0.25 + 0.7 * clutter, clutter * rng.uniform(0.02, 0.7, LAYERS), 0.0)
    cloud_um = um_per_px * np.exp(rng.uniform(np.log(60), np.log(400), LAYERS))
    shift = rng.uniform(0, 5000, LAYERS) * um_per_px
    if rng.random() < 0.6:
        cloud_um[:], shift[:] = cloud_um[0], shift[0]
    grain_um = base_um * np.exp(rng.uniform(-0.3, 0.5, LAYERS))
    path_um = grain_um * np.exp(rng.uniform(np.log(0.006), np.log(0.06), LAYERS))
    density = np.exp(rng.uniform(np.log(0.03), np.log(0.9), LAYERS))
    haze = np.exp(rng.uniform(np.log(0.04), np.log(1.0), LAYERS))
    dusty = rng.random() < 0.5
    if dusty:
        cover[1], path_um[1], density[1], haze[1] = 0.98, 0.12 * path_um[1], 0.02, 0.005
    tint = _DEBRIS_TINTS[rng.integers(len(_DEBRIS_TINTS))] * np.exp(rng.normal(0, 0.05, (LAYERS, 3)))
    return Debris(
        cover=_floats(cover),
        cloud_um=_floats(cloud_um),
        edge=_floats(rng.uniform(0.3, 1.6, LAYERS)),
        grain_um=_floats(grain_um),
        grain_path_um=_floats(path_um * rng.choice([-1, 1, 1, 1], LAYERS)),
        grain_density=_floats(density),
        haze_density=_floats(haze),
        tint=_floats(tint.ravel()),
        film_path_um=_floats(rng.normal(0, 0.03, LAYERS) * (rng.random(LAYERS) < 0.3)),
        shift=_floats(shift),
    )
