"""Eggs of tapeworms: taeniids, packets, and round or polygonal eggs around a six-hooked embryo."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import torch

from training.synthesize.kinds.bodies import Column, draw_body, inner_body, locate
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
from training.synthesize.kinds.clusters import nearest_ball
from training.synthesize.kinds.contents import granular
from training.synthesize.kinds.eggs import held, measures, shell_outline
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, grain, tinted
from training.synthesize.kinds.strands import rods_um, trace
from training.synthesize.kinds.walls import draw_wall, paint_wall
from training.synthesize.material import Material, Samples


def draw_hooklets(rng: np.random.Generator, radius_um: Array) -> Array:
    """Ends (n, 6, 4) of three pairs of hooklets inside embryos of that radius, around 0, 0."""
    n = len(radius_um)
    fan = np.repeat(np.array([-1.0, 0.0, 1.0]), 2)[None] * rng.uniform(0.5, 1.2, (n, 1))
    fan = fan + np.tile([-0.12, 0.12], 3)[None] + rng.normal(0, 0.12, (n, 6))
    turn = rng.uniform(0, 2 * np.pi, (n, 1))
    near, length = rng.uniform(-0.15, 0.35, (n, 1)), rng.uniform(0.3, 0.5, (n, 1))
    aside = np.tile([-0.09, 0.09], 3)[None]
    direction = np.stack((np.cos(turn + fan), np.sin(turn + fan)), -1)
    normal = np.stack((-direction[..., 1], direction[..., 0]), -1)
    start = direction * near[..., None] + normal * aside[..., None]
    ends = np.concatenate((start, start + direction * length[..., None]), -1)
    return (ends * radius_um[:, None, None]).astype(np.float32)


def draw_embryo(
    rng: np.random.Generator,
    shell: Array,
    *,
    fill: Range,
    drift: float,
    strength: Range,
    membrane_um: Range = (0.4, 1.2),
    rounded: float = 0.7,
) -> dict[str, Array]:
    """Parameters of a six-hooked embryo within each shell."""
    n = len(shell)
    core = inner_body(rng, shell, fill=fill, drift=drift, rounded=rounded, wave=0.012)
    hooklets = draw_hooklets(rng, core[:, Column.HALF_WIDTH])
    hooklets += np.tile(core[:, [Column.CENTRE_U, Column.CENTRE_V]], 2)[:, None]
    return {
        "core": core,
        "membrane_um": uniform(rng, n, membrane_um),
        "membrane_index": uniform(rng, n, (0.02, 0.07)),
        "core_tint": draw_tint(rng, n, (GREY, OLIVE, GOLD), strength),
        "core_index": uniform(rng, n, (0.005, 0.03)),
        "grain_um": uniform(rng, n, (0.8, 1.8)),
        "roughness": uniform(rng, n, (0.25, 0.8)),
        "hooklets": hooklets,
        "hooklet_um": uniform(rng, n, (0.3, 0.55)),
        "hooklets_seen": happens(rng, n, 0.8) * uniform(rng, n, (0.3, 1.0)),
    }


def paint_embryo(samples: Samples, p: Tensors) -> Material:
    """Membrane, granular plasm and hooklets of the embryo."""
    place = locate(samples, p["core"])
    skin = place.shell_um(0.0, samples.of(p["membrane_um"]))
    plasm = granular(samples, p, place.chord_um(samples.of(1.6 * p["membrane_um"])))
    hooks = rods_um(samples, p["hooklets"], p["hooklet_um"]) * samples.of(p["hooklets_seen"])
    density = plasm.density + tinted(samples, 1.3 * p["core_tint"], skin) + 0.35 * hooks[:, None]
    return Material(density, plasm.path_um + samples.of(p["membrane_index"]) * skin + 0.14 * hooks)


def _drawer(
    sizes: tuple[SizeRange, ...], shape: dict[str, Any], wall: dict[str, Any], embryo: dict[str, Any]
) -> Callable[[np.random.Generator, int], Parameters]:
    def draw(rng: np.random.Generator, n: int) -> Parameters:
        length, width = draw_size(rng, n, sizes)
        shell = draw_body(rng, length, width, **shape)
        size = measures(shell_outline({"shell": shell}))
        walls = draw_wall(rng, n, **wall)
        return {"shell": shell} | size | walls | draw_embryo(rng, shell, **embryo)

    return draw


def _paint(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    embryo = held(samples, p, place, paint_embryo(samples, p))
    return confine(samples, p, add(paint_wall(samples, p, place), embryo))


def _kind(
    name: str, group: str, sizes: tuple[SizeRange, ...], *, weight: float = 1.0, **parts: dict[str, Any]
) -> Kind:
    return Kind(name, group, _drawer(sizes, **parts), shell_outline, _paint, weight)


_N_EGGS = 30


def _draw_packet(rng: np.random.Generator, n: int) -> Parameters:
    length, width = draw_size(rng, n, ((120, 230, 80, 170),))
    radius = np.clip(rng.uniform(15, 22, n), None, 0.33 * width).astype(np.float32)
    room = np.pi * length * width / 4
    counts = np.clip(room * rng.uniform(0.5, 1.0, n) / (np.pi * radius**2), 4, _N_EGGS).astype(int)
    shell = draw_body(rng, length, width, power=(2.0, 2.8), egg=(0, 0.12), wave=0.02, depth=(0.4, 0.7))
    eggs = _pack_eggs(rng, shell, radius, counts)
    unit = np.ones((n, 1), np.float32)
    hooklets = draw_hooklets(rng, np.repeat(unit, _N_EGGS, 1).ravel()).reshape(n, _N_EGGS * 6, 4)
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        "eggs": eggs,
        "hooklets": hooklets,
        "bag_tint": draw_tint(rng, n, (GREY, GOLD, OLIVE), (0.0005, 0.004)),
        "egg_tint": draw_tint(rng, n, (GREY, GOLD, BROWN), (0.002, 0.012)),
        "core_tint": draw_tint(rng, n, (GREY, OLIVE, GOLD), (0.006, 0.02)),
        "core_index": uniform(rng, n, (0.005, 0.025)),
        "egg_index": uniform(rng, n, (0.02, 0.06)),
        "grain_um": uniform(rng, n, (0.9, 2.0)),
        "roughness": uniform(rng, n, (0.25, 0.7)),
    }


def _pack_eggs(rng: np.random.Generator, shell: Array, radius: Array, counts: np.ndarray) -> Array:
    """Eggs (n, 30, 3: u, v, radius) pushed apart within the outline of each bag."""
    n = len(shell)
    half = shell[:, [Column.HALF_LENGTH, Column.HALF_WIDTH]] - 1.08 * radius[:, None]
    points = rng.uniform(-1, 1, (n, _N_EGGS, 2)) * half[:, None]
    live = np.arange(_N_EGGS)[None] < counts[:, None]
    pairs = live[:, :, None] & live[:, None] & ~np.eye(_N_EGGS, dtype=bool)
    for _ in range(30):
        away = points[:, :, None] - points[:, None]
        distance = np.linalg.norm(away, axis=-1) + 1e-6
        lack = np.clip(1.95 * radius[:, None, None] - distance, 0, None) / distance * pairs
        points = points + 0.3 * (away * lack[..., None]).sum(2)
        rho = np.linalg.norm(points / half[:, None], axis=-1, keepdims=True)
        points = points / np.maximum(rho, 1)
    sizes = radius[:, None] * rng.uniform(0.93, 1.04, (n, _N_EGGS)) * live
    return np.concatenate((points, sizes[..., None]), -1).astype(np.float32)


def _paint_packet(samples: Samples, p: Tensors) -> Material:
    bag = locate(samples, p["shell"])
    jelly = bag.chord_um()
    skin = bag.shell_um(0.0, 1.2)
    index, u, v, radius = nearest_ball(samples, p["eggs"])
    radius = radius.clamp_min(1.0)
    rho = (u**2 + v**2).sqrt() / radius
    membrane = 2 * radius * ((1 - rho**2).clamp_min(0).sqrt() - (0.95**2 - rho**2).clamp_min(0).sqrt())
    inner = 2 * radius * (0.7**2 - rho**2).clamp_min(0).sqrt()
    inner_skin = inner - 2 * radius * (0.64**2 - rho**2).clamp_min(0).sqrt()
    plasm = granular(samples, p, inner)
    hooks = _hooks_of(samples, p["hooklets"], index, u / (0.62 * radius), v / (0.62 * radius))
    hooks = hooks * (rho < 0.62)
    density = plasm.density + tinted(samples, p["bag_tint"], 0.1 * jelly + skin)
    density = density + tinted(samples, p["egg_tint"], membrane + inner_skin) + 0.25 * hooks[:, None]
    path = 0.003 * jelly + 0.025 * skin + samples.of(p["egg_index"]) * (membrane + inner_skin)
    return confine(samples, p, Material(density, path + plasm.path_um + 0.08 * hooks))


def _hooks_of(
    samples: Samples, hooklets: torch.Tensor, egg: torch.Tensor, x: torch.Tensor, y: torch.Tensor
) -> torch.Tensor:
    """0 to 1 where a hooklet of the sample's own egg lies; `x`, `y` in embryo radii."""
    seen = torch.zeros_like(x)
    for k in range(6):
        start_u, start_v, end_u, end_v = hooklets[samples.owner, egg * 6 + k].unbind(1)
        du, dv = end_u - start_u, end_v - start_v
        t = (((x - start_u) * du + (y - start_v) * dv) / (du**2 + dv**2)).clamp(0, 1)
        distance2 = (x - start_u - t * du) ** 2 + (y - start_v - t * dv) ** 2
        seen = torch.maximum(seen, (1 - distance2 / 0.045**2).clamp_min(0))
    return seen


def _draw_anoplocephalid(rng: np.random.Generator, n: int) -> Parameters:
    length, width = draw_size(rng, n, ((50, 80, 48, 72),))
    shell = draw_body(rng, length, width, power=(2.1, 4.5), wave=0.022, egg=(0, 0.15), depth=(0.7, 1.0))
    embryo = draw_embryo(rng, shell, fill=(0.28, 0.4), drift=0.35, strength=(0.008, 0.03))
    reach = 2.0 * embryo["core"][:, Column.HALF_WIDTH]
    turn = rng.uniform(0, 2 * np.pi, n)
    centre = embryo["core"][:, [Column.CENTRE_U, Column.CENTRE_V]]
    horns = np.stack([centre + reach[:, None] * s * _towards(turn + a) for a, s in _PEAR], 1)
    wall = draw_wall(
        rng, n, outer_um=(1.2, 2.6), inner_um=(0.6, 1.4), palette=(GREY, GOLD, OLIVE), strength=(0.002, 0.02)
    )
    horn_um = embryo["core"][:, [Column.HALF_WIDTH]] * np.array([[1.25, 1.2, 0.45, 0.12]])
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        **wall,
        **embryo,
        "horns": horns.astype(np.float32),
        "horn_um": horn_um.astype(np.float32),
    }


def _towards(angle: np.ndarray) -> np.ndarray:
    return np.stack((np.cos(angle), np.sin(angle)), -1)


_PEAR = ((0.0, 0.0), (0.0, 0.15), (0.1, 0.75), (0.25, 1.05))
"""Angle and share of the reach of the points along a pear-shaped embryo case."""


def _paint_anoplocephalid(samples: Samples, p: Tensors) -> Material:
    wall = paint_wall(samples, p, locate(samples, p["shell"]))
    pear = trace(samples, p["horns"], p["horn_um"])
    skin = pear.chord_um - pear.core_um(0.88)
    case = Material(tinted(samples, 0.6 * p["core_tint"], skin), 0.04 * skin)
    floating = _paint_yolk(samples, p)
    return confine(samples, p, add(wall, case, floating, paint_embryo(samples, p)))


def _paint_yolk(samples: Samples, p: Tensors) -> Material:
    chord = locate(samples, p["shell"]).chord_um(samples.of(p["lining_um"]) + 1.0)
    clumps = (grain(samples, 6 * p["grain_um"], 5) - 0.3).clamp_min(0) * grain(samples, p["grain_um"])
    return Material(
        tinted(samples, 0.35 * p["core_tint"], chord * clumps.clamp_min(0)), 0.02 * clumps * chord.sqrt()
    )


KINDS = (
    _kind(
        "taeniid_egg",
        "taeniid_egg",
        ((31, 43, 29, 40),),
        shape={"power": (2.0, 2.15), "egg": (0, 0.04), "rough": (0.0, 0.012), "rough_count": (30, 46)},
        wall={
            "outer_um": (3.0, 5.0),
            "inner_um": (0.4, 0.9),
            "index": (0.015, 0.045),
            "palette": (BROWN, GOLD, RUST),
            "strength": (0.012, 0.05),
            "stripes": (0.12, 0.5),
            "stripe_um": (1.1, 1.9),
        },
        embryo={"fill": (0.58, 0.72), "drift": 0.2, "strength": (0.006, 0.025)},
    ),
    Kind("dipylidium_packet", "tapeworm_egg_other", _draw_packet, shell_outline, _paint_packet),
    _kind(
        "dipylidium_egg",
        "tapeworm_egg_other",
        ((31, 50, 27, 48), (35, 55, 33, 50)),
        shape={"power": (2.0, 2.15), "dented": 0.1},
        wall={
            "outer_um": (0.7, 1.6),
            "inner_um": (0.3, 0.8),
            "palette": (GREY, GOLD, OLIVE),
            "strength": (0.002, 0.02),
        },
        embryo={"fill": (0.5, 0.75), "drift": 0.5, "strength": (0.006, 0.022)},
    ),
    _kind(
        "hymenolepidid_egg",
        "tapeworm_egg_other",
        ((60, 80, 58, 78), (40, 60, 30, 50)),
        shape={"power": (2.0, 2.1), "rough": (0.0, 0.015), "rough_count": (30, 46), "dented": 0.05},
        wall={
            "outer_um": (1.6, 4.5),
            "inner_um": (0.5, 1.5),
            "palette": (BROWN, OLIVE, GREY),
            "strength": (0.003, 0.035),
            "stripes": (0.0, 0.12),
            "lumen_index": (-0.006, 0.015),
        },
        embryo={"fill": (0.38, 0.58), "drift": 0.75, "strength": (0.008, 0.03), "membrane_um": (0.6, 1.8)},
    ),
    _kind(
        "mesocestoides_egg",
        "tapeworm_egg_other",
        ((30, 40, 28, 36),),
        shape={"power": (1.95, 2.1), "egg": (0, 0.08), "dented": 0.1},
        wall={
            "outer_um": (0.5, 1.1),
            "inner_um": (0.2, 0.5),
            "palette": (GREY, GOLD),
            "strength": (0.001, 0.012),
        },
        embryo={"fill": (0.66, 0.84), "drift": 0.4, "strength": (0.006, 0.02), "rounded": 0.3},
        weight=0.6,
    ),
    Kind(
        name="anoplocephalid_egg",
        group="tapeworm_egg_other",
        draw_parameters=_draw_anoplocephalid,
        outline=shell_outline,
        material=_paint_anoplocephalid,
        weight=0.5,
    ),
)
