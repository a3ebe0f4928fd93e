"""Clutter that nobody labels: specks, bacteria, yeast-like dots, crumbs, fibres, plant fragments, blots.

Drawn like the kinds, through the same canvas; only the table of truth leaves them out. Sizes follow the
pixel size loosely, since debris looks alike at every magnification.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.synthesize.kinds.chance import log_uniform
from training.synthesize.material import Material, Samples, soft_step

Parameters = dict[str, NDArray[np.float32]]

_BROWN = (0.45, 0.7, 1.0)
_GREY = (0.95, 0.95, 1.0)
_GOLD = (0.2, 0.5, 1.0)
_GREEN = (0.9, 0.5, 1.0)


@dataclass(frozen=True)
class Speck:
    """One sort of clutter.

    Attributes
    ----------
    draw_parameters : callable(rng, n, um_per_px) -> dict of float32 arrays (n, ...)
    material : callable(samples, parameters) -> Material
    per_mpx : tuple of float
        Fewest and most in a million pixels, at full clutter.
    """

    draw_parameters: Callable[[np.random.Generator, int, float], Parameters]
    material: Callable[[Samples, dict[str, Tensor]], Material]
    per_mpx: tuple[float, float]


def _loosely(um_per_px: float) -> float:
    """Factor on sizes: 1 at 0.2 µm a pixel, growing slower than the pixel."""
    return float((um_per_px / 0.2) ** 0.6)


def _pick_tint(rng: np.random.Generator, n: int, *tints: tuple[float, ...]) -> NDArray[np.float32]:
    return np.asarray(tints, np.float32)[rng.integers(0, len(tints), n)]


def _draw_capsules(
    rng: np.random.Generator, half_length: NDArray[np.float32], half_width: NDArray[np.float32], bend: float
) -> Parameters:
    """A round-ended rod bent to an arc; `bend` is the most it leaves its chord, in half-lengths."""
    n = len(half_length)
    return {
        "half_length_um": half_length,
        "half_width_um": half_width,
        "sag_um": (half_length * rng.uniform(-bend, bend, n)).astype(np.float32),
        "reach_um": (half_length * (1 + abs(bend)) + half_width * 2).astype(np.float32),
    }


def _inside_capsule(samples: Samples, parameters: dict[str, Tensor]) -> Tensor:
    """Share of the half-width from the bent axis: 0 on it, 1 at the surface."""
    half_length = samples.of(parameters["half_length_um"])
    half_width = samples.of(parameters["half_width_um"])
    along = samples.u_um / half_length
    across = samples.v_um - samples.of(parameters["sag_um"]) * (along**2 - 0.5)
    beyond = (samples.u_um.abs() - half_length + half_width).clamp(min=0)
    return torch.hypot(across, beyond) / half_width


def _ball_chord(share: Tensor) -> Tensor:
    return (1 - share**2).clamp(min=0).sqrt()


def _tinted(amount: Tensor, samples: Samples, parameters: dict[str, Tensor]) -> Tensor:
    return amount[:, None] * samples.of(parameters["tint"])


def _draw_grains(rng: np.random.Generator, n: int, um_per_px: float) -> Parameters:
    half = log_uniform(rng, n, 0.25, 1.6) * _loosely(um_per_px)
    dark = rng.random(n) < 0.25
    return _draw_capsules(rng, half * rng.uniform(1, 1.6, n).astype(np.float32), half, 0.1) | {
        "path_um": (half * rng.uniform(0.015, 0.09, n) * np.where(rng.random(n) < 0.15, -1, 1)).astype(
            np.float32
        ),
        "dark": np.where(dark, rng.uniform(0.2, 0.9, n), rng.uniform(0, 0.12, n)).astype(np.float32),
        "tint": _pick_tint(rng, n, _GREY, _BROWN, _GREY, _GOLD),
    }


def _draw_rods(rng: np.random.Generator, n: int, um_per_px: float) -> Parameters:
    width = np.full(n, rng.uniform(0.3, 0.6) * _loosely(um_per_px), np.float32)
    length = (width * log_uniform(rng, n, 1.5, 7.0)).astype(np.float32)
    return _draw_capsules(rng, length, width, 0.15) | {
        "path_um": (width * rng.uniform(0.03, 0.1, n)).astype(np.float32),
        "dark": rng.uniform(0, 0.08, n).astype(np.float32),
        "tint": _pick_tint(rng, n, _GREY),
    }


def _draw_fibres(rng: np.random.Generator, n: int, um_per_px: float) -> Parameters:
    length = log_uniform(rng, n, 60, 400) * um_per_px
    width = np.minimum(log_uniform(rng, n, 0.7, 5.0) * _loosely(um_per_px), length / 8).astype(np.float32)
    return _draw_capsules(rng, length.astype(np.float32), width, 0.35) | {
        "path_um": (width * rng.uniform(0.01, 0.05, n)).astype(np.float32),
        "lumen": rng.uniform(0.2, 0.9, n).astype(np.float32),
        "dark": (rng.uniform(0, 0.5, n) * (rng.random(n) < 0.6)).astype(np.float32),
        "tint": _pick_tint(rng, n, _GREY, _BROWN, _GOLD, (1.0, 0.6, 0.2)),
    }


def _capsule_material(samples: Samples, parameters: dict[str, Tensor]) -> Material:
    chord = _ball_chord(_inside_capsule(samples, parameters))
    density = _tinted(chord * samples.of(parameters["dark"]), samples, parameters)
    return Material(density, chord * samples.of(parameters["path_um"]))


def _draw_yeast(rng: np.random.Generator, n: int, um_per_px: float) -> Parameters:
    half = log_uniform(rng, n, 1.0, 2.8) * _loosely(um_per_px)
    return _draw_capsules(rng, half * rng.uniform(1.0, 1.5, n).astype(np.float32), half, 0.0) | {
        "path_um": (half * rng.uniform(0.015, 0.06, n)).astype(np.float32),
        "dark": rng.uniform(0.0, 0.25, n).astype(np.float32),
        "tint": _pick_tint(rng, n, _GREY, _BROWN),
    }


def _yeast_material(samples: Samples, parameters: dict[str, Tensor]) -> Material:
    share = _inside_capsule(samples, parameters)
    chord = _ball_chord(share)
    nucleus = soft_step(share - 0.35, 0.3) * 0.5
    wall = _ball_chord(share) - 0.8 * _ball_chord(share / 0.8)
    density = _tinted(samples.of(parameters["dark"]) * (wall * 2 + nucleus), samples, parameters)
    return Material(density, (chord + nucleus + wall) * samples.of(parameters["path_um"]))


def _draw_crumbs(rng: np.random.Generator, n: int, um_per_px: float) -> Parameters:
    half = log_uniform(rng, n, 2.0, 22.0) * _loosely(um_per_px)
    return {
        "half_um": half,
        "flat": rng.uniform(0.4, 1.0, n).astype(np.float32),
        "ragged": rng.uniform(0.15, 0.75, n).astype(np.float32),
        "steep": log_uniform(rng, n, 1.5, 7.0),
        "dark": log_uniform(rng, n, 0.08, 1.6),
        "path_um": (rng.uniform(0.03, 0.25, n) * _loosely(um_per_px)).astype(np.float32),
        "cell_um": (half * rng.uniform(0.3, 0.9, n)).astype(np.float32),
        "tint": _pick_tint(rng, n, *(_BROWN, _GREY, _GOLD) * 3, _GREEN),
        "reach_um": half * 1.6,
    }


def _crumb_material(samples: Samples, parameters: dict[str, Tensor]) -> Material:
    half, cell = samples.of(parameters["half_um"]), parameters["cell_um"]
    coarse, fine = samples.sample_texture(4, cell), samples.sample_texture(5, cell * 0.4)
    finest = samples.sample_texture(6, cell * 0.16)
    distance = torch.hypot(samples.u_um, samples.v_um / samples.of(parameters["flat"])) / half
    level = 0.75 - distance + samples.of(parameters["ragged"]) * (0.5 * coarse + 0.18 * fine + 0.05 * finest)
    body = (level * samples.of(parameters["steep"])).clamp(0, 1) * (distance < 1.5)
    grain = (0.7 + 0.3 * fine + 0.25 * finest).clamp(min=0)
    density = _tinted(samples.of(parameters["dark"]) * body * grain, samples, parameters)
    relief = body * (0.6 + 0.4 * fine + 0.35 * finest)
    return Material(density, samples.of(parameters["path_um"]) * relief)


def _draw_globules(rng: np.random.Generator, n: int, um_per_px: float) -> Parameters:
    """Rounded granules, mottled or plain, as large in pixels as small cysts are."""
    half = (log_uniform(rng, n, 3.5, 20.0) * um_per_px).astype(np.float32)
    return {
        "half_um": half,
        "flat": rng.uniform(0.55, 1.0, n).astype(np.float32),
        "ragged": rng.uniform(0.02, 0.3, n).astype(np.float32),
        "steep": log_uniform(rng, n, 2.0, 12.0),
        "dark": log_uniform(rng, n, 0.03, 1.2),
        "path_um": (rng.uniform(-0.1, 0.35, n) * _loosely(um_per_px)).astype(np.float32),
        "cell_um": (half * rng.uniform(0.5, 2.5, n)).astype(np.float32),
        "tint": _pick_tint(rng, n, *(_BROWN, _GREY, _GOLD) * 3, _GREEN),
        "reach_um": half * 1.6,
    }


def _draw_plants(rng: np.random.Generator, n: int, um_per_px: float) -> Parameters:
    half = log_uniform(rng, n, 30, 140) * um_per_px
    flat = rng.uniform(0.25, 0.9, n).astype(np.float32)
    return {
        "half_um": half.astype(np.float32),
        "flat": flat,
        "cell_length_um": (half * rng.uniform(0.3, 1.0, n)).astype(np.float32),
        "cell_width_um": (half * flat * rng.uniform(0.25, 0.8, n)).astype(np.float32),
        "wall_um": (half * rng.uniform(0.012, 0.04, n)).astype(np.float32),
        "dark": log_uniform(rng, n, 0.03, 0.5),
        "path_um": (rng.uniform(0.05, 0.3, n) * _loosely(um_per_px)).astype(np.float32),
        "tint": _pick_tint(rng, n, _BROWN, _GREEN, _GOLD, _GREY),
        "reach_um": (half * 1.35).astype(np.float32),
    }


def _plant_material(samples: Samples, parameters: dict[str, Tensor]) -> Material:
    half = samples.of(parameters["half_um"])
    wall_um = samples.of(parameters["wall_um"])
    wide, long = samples.of(parameters["cell_width_um"]), samples.of(parameters["cell_length_um"])
    bend = [samples.sample_texture(4, parameters["half_um"] * share) for share in (1.0, 0.6, 0.25)]
    u = samples.u_um + (0.12 * bend[0] + 0.03 * bend[2]) * half
    v = samples.v_um + wide * (0.2 * bend[1] + 0.07 * bend[2])
    row = torch.floor(v / wide)
    stagger = torch.frac(torch.sin(row * 12.9898 + samples.of(samples.offset[:, 0]) * 78.233) * 43758.5453)
    to_end = _to_wall(u + stagger * long, long * (0.8 + 0.5 * stagger))
    edge = torch.maximum(u.abs() - half, v.abs() - half * samples.of(parameters["flat"])) + 0.1 * half * (
        bend[1] + bend[2]
    )
    body = soft_step(edge, 2 * wall_um) * (samples.u_um.square() + samples.v_um.square() < (1.3 * half) ** 2)
    wall = soft_step(torch.minimum(_to_wall(v, wide), to_end) - wall_um * (0.8 + 0.3 * bend[1]), wall_um)
    mottle = (0.5 + 0.3 * samples.sample_texture(5, parameters["half_um"] * 0.06)).clamp(min=0)
    density = _tinted(samples.of(parameters["dark"]) * body * (mottle + wall), samples, parameters)
    return Material(density, samples.of(parameters["path_um"]) * body * (0.3 + wall * mottle + 0.2 * mottle))


def _to_wall(place: Tensor, spacing: Tensor) -> Tensor:
    """Distance to the nearest multiple of `spacing`."""
    return (place - torch.round(place / spacing) * spacing).abs()


def _draw_blots(rng: np.random.Generator, n: int, um_per_px: float) -> Parameters:
    half = (log_uniform(rng, n, 5, 35) * um_per_px).astype(np.float32)
    return {
        "half_um": half,
        "flat": rng.uniform(0.5, 1.0, n).astype(np.float32),
        "ragged": rng.uniform(0.3, 0.9, n).astype(np.float32),
        "steep": np.full(n, 1.2, np.float32),
        "dark": log_uniform(rng, n, 0.03, 0.45),
        "path_um": rng.uniform(-0.1, 0.2, n).astype(np.float32),
        "cell_um": (half * 0.8).astype(np.float32),
        "tint": _pick_tint(rng, n, _BROWN, _GREY, _GREY),
        "reach_um": half * 1.6,
    }


def _fibre_material(samples: Samples, parameters: dict[str, Tensor]) -> Material:
    knobbly = 1 + 0.25 * samples.sample_texture(4, parameters["half_width_um"] * 6)
    share = _inside_capsule(samples, parameters) * knobbly
    chord, lumen = _ball_chord(share), _ball_chord(share / samples.of(parameters["lumen"]))
    uneven = (0.8 + 0.3 * samples.sample_texture(5, parameters["half_width_um"] * 1.5)).clamp(min=0)
    wall = (chord - 0.8 * samples.of(parameters["lumen"]) * lumen).clamp(min=0)
    density = _tinted(wall * uneven * samples.of(parameters["dark"]), samples, parameters)
    return Material(density, wall * samples.of(parameters["path_um"]))


SPECKS: dict[str, Speck] = {
    "grain": Speck(_draw_grains, _capsule_material, (200, 9000)),
    "rod": Speck(_draw_rods, _capsule_material, (0, 2500)),
    "yeast": Speck(_draw_yeast, _yeast_material, (0, 250)),
    "crumb": Speck(_draw_crumbs, _crumb_material, (5, 350)),
    "globule": Speck(_draw_globules, _crumb_material, (0, 300)),
    "fibre": Speck(_draw_fibres, _fibre_material, (0, 14)),
    "plant": Speck(_draw_plants, _plant_material, (0, 5)),
    "blot": Speck(_draw_blots, _crumb_material, (10, 160)),
}
