"""Eggs with a plug at each end: whipworms and capillarids."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import torch

from training.synthesize.kinds.bodies import Column, draw_body, locate, outline_body, outline_union
from training.synthesize.kinds.chance import (
    BROWN,
    GOLD,
    GREY,
    OLIVE,
    RUST,
    Array,
    Range,
    SizeRange,
    draw_size,
    draw_tint,
    happens,
    uniform,
)
from training.synthesize.kinds.contents import CELLS, EMPTY, LARVA, MASS, draw_contents, paint_contents
from training.synthesize.kinds.eggs import held, measures
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, tinted
from training.synthesize.kinds.walls import draw_wall, paint_wall
from training.synthesize.material import Material, Samples, soft_step

_PLUGS = ("plug_left", "plug_right")


def _drawer(
    sizes: tuple[SizeRange, ...],
    *,
    shape: dict[str, Any],
    wall: dict[str, Any],
    contents: dict[str, Any],
    plug_share: Range,
    bulge: Range,
    askew: float,
    lost: float,
) -> Callable[[np.random.Generator, int], Parameters]:
    """`plug_share`: plug over egg width; `bulge`: part of the plug that stands out of the shell;
    `askew`: how far plugs sit beside the long axis, in plug radii; `lost`: share of eggs without one plug."""

    def draw(rng: np.random.Generator, n: int) -> Parameters:
        length, width = draw_size(rng, n, sizes)
        radius = width * uniform(rng, n, plug_share) / 2
        kept = np.stack((np.ones(n), 1 - happens(rng, n, lost)), 1).astype(np.float32)
        out = uniform(rng, n, bulge)[:, None] * radius[:, None] * kept
        shell = draw_body(rng, length - out.sum(1), width, **shape)
        shell[:, Column.CENTRE_U] += (out[:, 0] - out[:, 1]) / 2
        p = {"shell": shell, "kept": kept}
        p["plug_tint"] = draw_tint(rng, n, (GREY, GOLD), (0.001, 0.015))
        p["plug_index"] = uniform(rng, n, (0.008, 0.035))
        for name, sign in zip(_PLUGS, (-1, 1), strict=True):
            p[name] = _draw_plug(rng, radius, sign * (length / 2 - radius * 0.85), askew)
            tip = outline_body(p[name])[:, :, 0]
            tip = tip.min(1) if sign < 0 else tip.max(1)
            p[name][:, Column.CENTRE_U] += sign * length / 2 - tip
        return p | measures(_outline(p)) | draw_wall(rng, n, **wall) | draw_contents(rng, shell, **contents)

    return draw


def _draw_plug(rng: np.random.Generator, radius: Array, at_um: Array, askew: float) -> Array:
    n = len(radius)
    plug = draw_body(rng, 1.5 * radius, 2 * radius, power=(2.0, 2.8), wave=0.01)
    plug[:, Column.CENTRE_U] += at_um.astype(np.float32)
    plug[:, Column.CENTRE_V] += radius * rng.normal(0, askew + 1e-6, n).clip(-0.6, 0.6).astype(np.float32)
    return plug


def _outline(p: Parameters) -> Array:
    return outline_union(*(outline_body(p[name]) for name in ("shell", *_PLUGS)))


def _paint(samples: Samples, p: Tensors) -> Material:
    shell = locate(samples, p["shell"])
    wall = paint_wall(samples, p, shell)
    lumen = soft_step(shell.distance_um(samples.of(p["lining_um"])), 1.5)
    kept = samples.of(p["kept"])
    clear, collar = torch.ones_like(samples.u_um), torch.ones_like(samples.u_um)
    chord = torch.zeros_like(samples.u_um)
    for i, name in enumerate(_PLUGS):
        place = locate(samples, p[name])
        clear = clear * (1 - 0.92 * soft_step(place.distance_um(0.8), 0.8))
        beside = (place.across_um.abs() / samples.of(p[name][:, Column.HALF_WIDTH]) - 0.5).clamp(0, 1)
        collar = collar + 2.2 * beside * torch.exp(-((place.distance_um() / 1.6) ** 2))
        chord = chord + kept[:, i] * place.chord_um()
    wall = Material(wall.density * (clear * collar)[:, None], wall.path_um * clear * (0.7 + 0.3 * collar))
    chord = chord * (1 - 0.85 * lumen)
    plugs = Material(tinted(samples, p["plug_tint"], chord), samples.of(p["plug_index"]) * chord)
    return confine(samples, p, add(wall, plugs, held(samples, p, shell, paint_contents(samples, p))))


_GRANULAR = {
    "stages": {MASS: 0.9, CELLS: 0.04, LARVA: 0.04, EMPTY: 0.02},
    "fill": (0.58, 0.86),
    "palette": (GREY, OLIVE, BROWN),
    "strength": (0.006, 0.022),
    "power": (2.0, 2.8),
    "cell_counts": (2, 4, 8),
    "drift": 0.3,
}


def _kind(name: str, sizes: tuple[SizeRange, ...], weight: float, **parts: Any) -> Kind:
    return Kind(name, "trichurid_egg", _drawer(sizes, **parts), _outline, _paint, weight)


KINDS = (
    _kind(
        "whipworm_egg",
        ((70, 90, 30, 42),),
        1.0,
        shape={"power": (1.95, 2.3), "egg": (0, 0.05), "barrel": (-0.3, -0.04), "wave": 0.004},
        wall={
            "outer_um": (1.6, 3.0),
            "inner_um": (0.4, 1.0),
            "index": (0.04, 0.09),
            "palette": (BROWN, GOLD, RUST),
            "strength": (0.025, 0.1),
        },
        contents=_GRANULAR,
        plug_share=(0.27, 0.4),
        bulge=(0.15, 0.65),
        askew=0.03,
        lost=0.0,
    ),
    _kind(
        "capillarid_egg",
        ((60, 85, 25, 40), (50, 60, 30, 35), (56, 72, 23, 32), (63, 68, 24, 27)),
        1.0,
        shape={"power": (2.0, 2.7), "egg": (0, 0.07), "barrel": (-0.14, 0.02), "wave": 0.006},
        wall={
            "outer_um": (1.2, 2.4),
            "inner_um": (0.3, 0.8),
            "index": (0.03, 0.07),
            "palette": (GOLD, OLIVE, GREY),
            "strength": (0.006, 0.045),
            "pits": (0.0, 0.35),
            "pit_um": (1.0, 2.2),
            "stripes": (0.0, 0.35),
        },
        contents=_GRANULAR | {"fill": (0.68, 0.9), "palette": (GREY, OLIVE)},
        plug_share=(0.24, 0.42),
        bulge=(0.1, 0.8),
        askew=0.22,
        lost=0.0,
    ),
    _kind(
        "atypical_trichurid_egg",
        ((58, 96, 38, 58),),
        0.3,
        shape={"power": (1.9, 2.3), "egg": (0, 0.16), "barrel": (-0.12, 0.06), "wave": 0.02, "dented": 0.25},
        wall={
            "outer_um": (1.0, 3.2),
            "inner_um": (0.3, 1.2),
            "palette": (BROWN, GOLD, GREY),
            "strength": (0.006, 0.1),
        },
        contents=_GRANULAR | {"fill": (0.45, 0.9)},
        plug_share=(0.2, 0.36),
        bulge=(0.1, 0.7),
        askew=0.3,
        lost=0.5,
    ),
)
