"""Bodies without a shell's anatomy: granules, spores, white and lining cells, amoebae, ciliates, flagellates.

All share one form and one material, so that any mixture of them is drawn in one call.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from torch import Tensor

from training.synthesize.kinds.bodies import Column, draw_body, locate, outline_body
from training.synthesize.kinds.chance import (
    BROWN,
    GOLD,
    GREEN,
    GREY,
    OLIVE,
    RUST,
    Array,
    Range,
    draw_tint,
    happens,
    log_uniform,
    uniform,
)
from training.synthesize.kinds.contents import granular
from training.synthesize.kinds.eggs import measures, shell_outline
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, in_chunks, keep, tinted
from training.synthesize.kinds.strands import rods_um
from training.synthesize.material import Material, Samples

_N_BALLS = 6
_N_LASHES = 64
_EVERY_COLOUR = (GREY, GREY, OLIVE, GOLD, BROWN, RUST, GREEN)
_IODINE = (GOLD, BROWN)


def _draw_balls(
    rng: np.random.Generator,
    shell: Array,
    *,
    counts: tuple[int, int],
    size: Range,
    dark: Range = (-1.0, 1.5),
    index: Range = (-0.03, 0.05),
    rim: Range = (0.0, 0.4),
    spread: float = 0.55,
) -> Array:
    """What lies inside, (n, K, 6): u, v, radius in µm, darkness over that of the plasm, index, dark rim.

    `size` is a ball's radius over the half width of its body; `counts` the fewest and the most balls.
    """
    n = len(shell)
    half = shell[:, None, [Column.HALF_LENGTH, Column.HALF_WIDTH]]
    centre = shell[:, None, [Column.CENTRE_U, Column.CENTRE_V]]
    live = np.arange(_N_BALLS)[None] < rng.integers(counts[0], counts[1] + 1, n)[:, None]
    radius = half[..., 1] * rng.uniform(*size, (n, _N_BALLS)) * live
    at = centre + half * rng.normal(0, 0.5 * spread, (n, _N_BALLS, 2)).clip(-spread, spread)
    rest = [rng.uniform(*span, (n, _N_BALLS)) for span in (dark, index, rim)]
    return np.stack((at[..., 0], at[..., 1], radius, *rest), -1).astype(np.float32)


def _add_karyosome(rng: np.random.Generator, balls: Array) -> None:
    """Make the first ball of each body, in place, a pale ringed nucleus, and the second its dark spot."""
    nucleus, spot = balls[:, 0], balls[:, 1]
    spot[:, :2] = nucleus[:, :2] + 0.15 * nucleus[:, 2:3] * rng.normal(size=(len(balls), 2))
    spot[:, 2] = 0.3 * nucleus[:, 2]
    nucleus[:, 3], nucleus[:, 5] = rng.uniform(-0.5, 0.3, len(balls)), rng.uniform(0.3, 1.5, len(balls))
    spot[:, 3] = rng.uniform(0.5, 4.0, len(balls))


def _draw_cell(
    rng: np.random.Generator,
    n: int,
    *,
    length_um: Range,
    aspect: Range,
    shape: dict[str, Any],
    balls: dict[str, Any],
    strength: Range,
    index: Range = (0.012, 0.05),
    hollow: float = 0.0,
    palette: tuple[tuple[float, float, float], ...] = (GREY, OLIVE, GOLD),
    grain_share: Range = (0.08, 0.3),
    roughness: Range = (0.1, 0.9),
    skin_share: Range = (0.02, 0.08),
    skin_index: Range = (0.0, 0.06),
    skin_strength: Range = (0.002, 0.06),
) -> Parameters:
    """Bodies of `length_um`; `grain_share` and `skin_share` count from the width, capped at real sizes.

    `hollow` is the share of bodies of a lower index than the fluid: they look bright where others look dark.
    """
    length = log_uniform(rng, n, *length_um)
    width = length * uniform(rng, n, aspect)
    shell = draw_body(rng, length, width, **shape)
    sign = 1 - 2 * happens(rng, n, hollow)
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        "core_tint": draw_tint(rng, n, palette, strength),
        "core_index": sign * uniform(rng, n, index),
        "grain_um": (width * uniform(rng, n, grain_share)).clip(0.5, 3.0).astype(np.float32),
        "roughness": uniform(rng, n, roughness),
        "balls": _draw_balls(rng, shell, **balls),
        "skin_um": (width * uniform(rng, n, skin_share)).clip(0.1, 1.8).astype(np.float32),
        "skin_index": uniform(rng, n, skin_index),
        "skin_tint": draw_tint(rng, n, palette, skin_strength),
        "lashes": np.zeros((n, _N_LASHES, 4), np.float32),
        "lash_um": np.zeros(n, np.float32),
    }


def _paint_balls(samples: Samples, balls_um: Tensor, chord_um: Tensor) -> tuple[Tensor, Tensor]:
    """Way of the light in plasm and optical path (S,) that the balls add, within the body's own way."""

    def through(part: Samples) -> tuple[Tensor, Tensor]:
        u, v, radius, dark, index, rim = part.of(balls_um).unbind(-1)
        away = ((part.u_um[:, None] - u) ** 2 + (part.v_um[:, None] - v) ** 2).sqrt()
        chord = 2 * (radius**2 - away**2).clamp_min(0).sqrt()
        edge = torch.exp(-(((away - radius) / (0.15 * radius).clamp_min(0.12)) ** 2)) * rim * (radius > 0)
        way = (dark * chord + 2 * edge).sum(1)
        return way, (index * chord + 0.03 * edge).sum(1)

    way, path = in_chunks(samples, through)
    return way * (chord_um > 0), path * (chord_um > 0)


def _paint_cell(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    chord = place.chord_um(rough=True)
    skin = torch.minimum(place.shell_um(0.0, samples.of(p["skin_um"])), chord)
    way, path = _paint_balls(samples, p["balls"], chord)
    plasm = granular(samples, p, (chord + way).clamp_min(0) * (chord > 0))
    density = plasm.density + tinted(samples, p["skin_tint"], skin)
    bend = plasm.path_um - samples.of(p["core_index"]) * way + path + samples.of(p["skin_index"]) * skin
    return confine(samples, p, add(Material(density, bend), _paint_lashes(samples, p)))


def _paint_lashes(samples: Samples, p: Tensors) -> Material:
    """Cilia and flagella, for the bodies that have some."""
    kept, part = keep(samples, p["lash_um"] > 0)
    path = torch.zeros_like(samples.u_um)
    if len(kept):
        path = path.index_copy(0, kept, rods_um(part, p["lashes"], p["lash_um"]))
    return Material(0.08 * path[:, None].expand(-1, 3), 0.05 * path)


_ROUND = {"power": (1.9, 2.5), "egg": (0, 0.15), "wave": 0.02, "depth": (0.5, 1.0)}
_LUMPY = {
    "power": (1.8, 3.0),
    "egg": (0, 0.25),
    "wave": 0.05,
    "rough": (0.0, 0.08),
    "rough_count": (5, 18),
    "dented": 0.3,
    "depth": (0.4, 1.0),
}
_AMOEBA = {
    "power": (1.9, 2.6),
    "egg": (0, 0.25),
    "wave": 0.08,
    "dented": 0.35,
    "depth": (0.3, 0.9),
    "corner": (0.0, 0.2),
}
_FLAT = {"power": (2.2, 4.5), "wave": 0.04, "dented": 0.3, "depth": (0.06, 0.15), "rough": (0.0, 0.04)}


def _draw_granules(rng: np.random.Generator, n: int) -> Parameters:
    """Grains of food and waste, a few µm, with or without something inside."""
    return _draw_cell(
        rng,
        n,
        length_um=(2.5, 18),
        aspect=(0.5, 1.0),
        shape=_LUMPY,
        balls={"counts": (0, 4), "size": (0.1, 0.5)},
        strength=(0.003, 0.25),
        index=(0.012, 0.12),
        hollow=0.12,
        palette=_EVERY_COLOUR,
    )


def _draw_round_spores(rng: np.random.Generator, n: int) -> Parameters:
    """Smooth balls and ovals with a firm wall, some with an oil drop, as spores, conidia and algae are."""
    return _draw_cell(
        rng,
        n,
        length_um=(3, 30),
        aspect=(0.55, 1.0),
        shape=_ROUND,
        balls={"counts": (0, 2), "size": (0.25, 0.7), "index": (-0.04, 0.08), "dark": (-0.8, 1.0)},
        strength=(0.002, 0.12),
        palette=_EVERY_COLOUR,
        roughness=(0.0, 0.5),
        skin_share=(0.04, 0.2),
        skin_index=(0.02, 0.12),
        skin_strength=(0.005, 0.3),
    )


def _draw_white_cells(rng: np.random.Generator, n: int) -> Parameters:
    """Round granular cells with a nucleus of one to four lobes."""
    p = _draw_cell(
        rng,
        n,
        length_um=(7, 22),
        aspect=(0.75, 1.0),
        shape=_ROUND | {"wave": 0.03},
        balls={
            "counts": (1, 4),
            "size": (0.25, 0.5),
            "dark": (0.2, 3.0),
            "index": (0.0, 0.03),
            "spread": 0.4,
        },
        strength=(0.004, 0.08),
        palette=(GREY, OLIVE, *_IODINE),
        roughness=(0.3, 1.2),
    )
    single = happens(rng, n, 0.4)
    p["balls"][:, 1:, 2] *= (1 - single)[:, None]
    p["balls"][:, 0, 2] *= 1 + 0.4 * single
    return p


def _draw_amoebae(rng: np.random.Generator, n: int) -> Parameters:
    """Creeping forms: no wall, any outline, a ringed nucleus with a spot, food in vacuoles."""
    p = _draw_cell(
        rng,
        n,
        length_um=(9, 60),
        aspect=(0.5, 1.0),
        shape=_AMOEBA,
        balls={"counts": (2, 6), "size": (0.08, 0.32), "dark": (-1.0, 1.5)},
        strength=(0.004, 0.09),
        palette=(GREY, OLIVE, RUST, *_IODINE),
        grain_share=(0.04, 0.12),
        skin_index=(0.0, 0.04),
    )
    p["balls"][:, 0, 2] = np.maximum(p["balls"][:, 0, 2], 0.18 * p["width_um"] / 2)
    _add_karyosome(rng, p["balls"])
    return p


def _draw_lining_cells(rng: np.random.Generator, n: int) -> Parameters:
    """Flat cells from the lining of gut and skin."""
    p = _draw_cell(
        rng,
        n,
        length_um=(20, 85),
        aspect=(0.5, 1.0),
        shape=_FLAT,
        balls={"counts": (1, 1), "size": (0.12, 0.35), "dark": (0.05, 0.6), "spread": 0.35},
        strength=(0.01, 0.06),
        grain_share=(0.02, 0.06),
    )
    p["balls"][..., 3] *= 0.5
    return p


def _draw_ciliates(rng: np.random.Generator, n: int) -> Parameters:
    """Ovals fringed with cilia, a sausage-shaped nucleus, vacuoles."""
    p = _draw_cell(
        rng,
        n,
        length_um=(30, 150),
        aspect=(0.45, 0.9),
        shape={"power": (1.9, 2.3), "egg": (0.05, 0.35), "wave": 0.02, "depth": (0.5, 1.0)},
        balls={"counts": (4, 6), "size": (0.08, 0.22), "dark": (-1.0, 1.0)},
        strength=(0.003, 0.02),
        grain_share=(0.02, 0.06),
    )
    _lay_sausage(rng, p)
    foot = outline_body(p["shell"])
    foot = foot[:, np.linspace(0, foot.shape[1], _N_LASHES, endpoint=False).astype(int)]
    away = foot / np.maximum(np.linalg.norm(foot, axis=-1, keepdims=True), 1e-3)
    tip = foot + away * rng.uniform(2.0, 5.0, (n, 1, 1)) + rng.normal(0, 0.6, foot.shape)
    return _put_lashes(p, foot, tip, uniform(rng, n, (0.15, 0.3)))


def _lay_sausage(rng: np.random.Generator, p: Parameters) -> None:
    """Make the first three balls of each body, in place, a bent nucleus."""
    n, radius = len(p["length_um"]), p["width_um"] * uniform(rng, len(p["length_um"]), (0.07, 0.13))
    turn, bend = rng.uniform(0, np.pi, n), rng.uniform(-0.8, 0.8, n)
    for k, step in enumerate((-1.0, 0.0, 1.0)):
        heading = turn + step * bend
        p["balls"][:, k, 0] = step * 1.2 * radius * np.cos(heading)
        p["balls"][:, k, 1] = step * 1.2 * radius * np.sin(heading)
        p["balls"][:, k, 2], p["balls"][:, k, 3], p["balls"][:, k, 5] = radius, 0.9, 0.0


def _draw_flagellates(rng: np.random.Generator, n: int) -> Parameters:
    """Pear-shaped swimmers with a few whips at the blunt end."""
    p = _draw_cell(
        rng,
        n,
        length_um=(6, 26),
        aspect=(0.4, 0.85),
        shape={"power": (1.7, 2.1), "egg": (0.15, 0.5), "wave": 0.03, "depth": (0.3, 0.8)},
        balls={"counts": (2, 4), "size": (0.12, 0.32), "dark": (-0.5, 2.0)},
        strength=(0.003, 0.05),
        palette=(GREY, OLIVE, *_IODINE),
    )
    n_whips, n_steps = 2, _N_LASHES // 2
    t = np.linspace(0, 1, n_steps + 1)[None, None]
    whip_um = p["length_um"][:, None, None] * rng.uniform(0.4, 1.0, (n, n_whips, 1))
    wave = rng.normal(0, 0.12, (n, n_whips, 1)) * np.sin(rng.uniform(4, 9, (n, n_whips, 1)) * t)
    blunt = np.where(p["shell"][:, Column.EGG] > 0, 1.0, -1.0)[:, None, None]
    u = blunt * (0.4 * p["length_um"][:, None, None] + whip_um * t)
    v = whip_um * (wave + rng.normal(0, 0.4, (n, n_whips, 1)) * t)
    line = np.stack((u, v), -1)
    shape = (n, _N_LASHES, 2)
    foot, tip = line[:, :, :-1].reshape(shape), line[:, :, 1:].reshape(shape)
    return _put_lashes(p, foot, tip, uniform(rng, n, (0.08, 0.15)))


def _put_lashes(p: Parameters, foot: np.ndarray, tip: np.ndarray, radius_um: Array) -> Parameters:
    farthest = np.abs(tip).max((1, 2), initial=0.0)
    reach = np.maximum(p["reach_um"], 1.02 * farthest + 0.5)
    return p | {
        "lashes": np.concatenate((foot, tip), -1).astype(np.float32),
        "lash_um": radius_um,
        "reach_um": reach.astype(np.float32),
    }


def _kind(name: str, draw: Any, weight: float) -> Kind:
    return Kind(name, "other_artefact", draw, shell_outline, _paint_cell, weight)


KINDS = (
    _kind("granule", _draw_granules, 3.0),
    _kind("round_spore", _draw_round_spores, 2.0),
    _kind("white_cell", _draw_white_cells, 1.2),
    _kind("amoeba", _draw_amoebae, 1.2),
    _kind("lining_cell", _draw_lining_cells, 0.5),
    _kind("ciliate", _draw_ciliates, 0.8),
    _kind("flagellate", _draw_flagellates, 0.8),
)
