"""Pollen grains: sculptured walls around even contents."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import torch

from training.synthesize.kinds.bodies import (
    Column,
    draw_body,
    inner_body,
    locate,
    outline_body,
    outline_union,
)
from training.synthesize.kinds.chance import (
    BROWN,
    GOLD,
    GREEN,
    GREY,
    OLIVE,
    RUST,
    Array,
    Range,
    SizeRange,
    draw_tint,
    uniform,
)
from training.synthesize.kinds.contents import granular
from training.synthesize.kinds.eggs import draw_shelled, held, measures, shell_outline
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, grain, tinted
from training.synthesize.kinds.strands import trace
from training.synthesize.kinds.walls import paint_wall
from training.synthesize.material import Material, Samples, soft_step

_PALETTE = (GOLD, BROWN, GREY, OLIVE, GREEN, RUST)
_SACS = ("sac_left", "sac_right")


def _plasm(rng: np.random.Generator, n: int, strength: Range) -> dict[str, Array]:
    return {
        "core_tint": draw_tint(rng, n, _PALETTE, strength),
        "core_index": uniform(rng, n, (0.005, 0.04)),
        "grain_um": uniform(rng, n, (0.8, 2.4)),
        "roughness": uniform(rng, n, (0.1, 0.6)),
    }


def _draw_pine(rng: np.random.Generator, n: int) -> Parameters:
    """A body between two air sacs (Pinus: 51-100 µm long, PalDat 2021)."""
    length = uniform(rng, n, (51, 100))
    body_um = length * uniform(rng, n, (0.5, 0.68))
    core = draw_body(rng, body_um, body_um * uniform(rng, n, (0.66, 0.9)), power=(2.0, 2.3), wave=0.015)
    p = {"core": core}
    droop = uniform(rng, n, (-0.05, 0.32)) * rng.choice([-1, 1], n).astype(np.float32)
    for name, sign in zip(_SACS, (-1, 1), strict=True):
        high = body_um * uniform(rng, n, (0.52, 0.76))
        long = (length - body_um) / 2 + body_um * uniform(rng, n, (0.14, 0.34))
        sac = draw_body(rng, long, high, power=(2.0, 2.4), wave=0.02)
        sac[:, Column.CENTRE_U] += sign * (length / 2 - sac[:, Column.HALF_LENGTH])
        sac[:, Column.CENTRE_V] += droop * body_um
        p[name] = sac
    outline = _pine_outline(p)
    middle = (outline.min(1) + outline.max(1)) / 2
    for part in p.values():
        part[:, [Column.CENTRE_U, Column.CENTRE_V]] -= middle
    return {
        **p,
        **measures(_pine_outline(p)),
        **_plasm(rng, n, (0.006, 0.03)),
        "sac_tint": draw_tint(rng, n, _PALETTE, (0.004, 0.022)),
        "sac_index": uniform(rng, n, (-0.06, 0.02)),
        "net": uniform(rng, n, (0.3, 0.9)),
        "net_um": uniform(rng, n, (2.0, 4.5)),
    }


def _pine_outline(p: Parameters) -> Array:
    return outline_union(*(outline_body(p[name]) for name in ("core", *_SACS)))


def _paint_pine(samples: Samples, p: Tensors) -> Material:
    core = locate(samples, p["core"])
    wall = core.shell_um(0.0, 1.8)
    plasm = granular(samples, p, core.chord_um())
    parts = [Material(plasm.density + tinted(samples, p["core_tint"], wall), plasm.path_um + 0.04 * wall)]
    net = grain(samples, p["net_um"], 5).abs() - 0.5
    for name in _SACS:
        sac = locate(samples, p[name])
        skin, chord = sac.shell_um(0.0, 1.3), sac.chord_um()
        relief = skin + 0.25 * chord * (1 + samples.of(p["net"]) * net)
        inside = samples.of(p["sac_index"]) * chord
        ridges = 0.12 * samples.of(p["net"]) * net * (chord > 0)
        parts.append(Material(tinted(samples, p["sac_tint"], relief), inside + 0.04 * skin + ridges))
    return confine(samples, p, add(*parts))


def _drawer(
    sizes: tuple[SizeRange, ...],
    *,
    shape: dict[str, Any],
    wall: dict[str, Any],
    strength: Range,
    pores: tuple[int, ...] = (0,),
    furrows: tuple[int, ...] = (0,),
) -> Callable[[np.random.Generator, int], Parameters]:
    def draw(rng: np.random.Generator, n: int) -> Parameters:
        shelled = draw_shelled(rng, n, sizes, shape=shape, wall=wall | {"palette": _PALETTE})
        shell = shelled["shell"]
        return {
            **shelled,
            **_plasm(rng, n, strength),
            "core": inner_body(rng, shell, fill=(0.75, 0.96), drift=0.2, wave=0.01),
            **_draw_apertures(rng, shell, pores, furrows),
        }

    return draw


_N_APERTURES = 3


def _draw_apertures(
    rng: np.random.Generator, shell: Array, pores: tuple[int, ...], furrows: tuple[int, ...]
) -> dict[str, Array]:
    """Pores (n, 3, 3: u, v, radius) and bowed furrows (n, 3, 5, 2) with their radius (n, 3)."""
    n = len(shell)
    half = np.stack((shell[:, Column.HALF_LENGTH], shell[:, Column.HALF_WIDTH]), -1)
    turn = rng.uniform(0, 2 * np.pi, (n, 1)) + np.arange(3) * 2 * np.pi / 3
    away = rng.uniform(0.3, 0.85, (n, 1))
    at = np.stack((np.cos(turn) * away, np.sin(turn) * away), -1) * half[:, None]
    live = np.arange(3)[None] < rng.choice(pores, n)[:, None]
    pore_um = rng.uniform(0.08, 0.16, (n, 1)) * half[:, 1:] * live
    t = np.linspace(-0.85, 0.85, 5)
    bow = np.linspace(-0.6, 0.6, 3)[None] + rng.normal(0, 0.12, (n, 3))
    line = np.stack(np.broadcast_arrays(t[None, None], bow[..., None] * np.sqrt(1 - t**2)[None, None]), -1)
    alive = np.arange(3)[None] < rng.choice(furrows, n)[:, None]
    return {
        "pores": np.concatenate((at, pore_um[..., None]), -1).astype(np.float32),
        "furrows": (line * half[:, None, None]).astype(np.float32),
        "furrow_um": (rng.uniform(0.04, 0.1, (n, 1)) * half[:, 1:] * alive).astype(np.float32),
    }


def _paint(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    wall = paint_wall(samples, p, place)
    plasm = held(samples, p, place, granular(samples, p, locate(samples, p["core"]).chord_um()))
    thin, edge = torch.zeros_like(samples.u_um), torch.zeros_like(samples.u_um)
    for k in range(_N_APERTURES):
        u = samples.u_um - samples.of(p["pores"][:, k, 0])
        v = samples.v_um - samples.of(p["pores"][:, k, 1])
        radius = samples.of(p["pores"][:, k, 2])
        gap = (u**2 + v**2).sqrt() - radius
        thin = torch.maximum(thin, soft_step(gap, 0.5) * (radius > 0))
        edge = torch.maximum(edge, torch.exp(-((gap / 0.9) ** 2)) * (radius > 0))
        furrow = trace(samples, p["furrows"][:, k], p["furrow_um"][:, k, None].expand(-1, 5))
        thin = torch.maximum(thin, (furrow.chord_um > 0).float())
        edge = torch.maximum(
            edge, torch.exp(-(((furrow.across.abs() - 1) / 0.5) ** 2)) * (furrow.chord_um > 0)
        )
    shell = place.shell_um(0.0, samples.of(p["lining_um"]))
    density = wall.density * (1 - 0.6 * thin)[:, None] + tinted(samples, p["wall_tint"], 2 * edge * shell)
    path = wall.path_um * (1 - 0.4 * thin) + 0.02 * edge * shell
    return confine(samples, p, add(Material(density, path), plasm))


def _kind(name: str, sizes: tuple[SizeRange, ...], weight: float = 1.0, **parts: Any) -> Kind:
    return Kind(name, "pollen", _drawer(sizes, **parts), shell_outline, _paint, weight)


KINDS = (
    Kind("pine_pollen", "pollen", _draw_pine, _pine_outline, _paint_pine, 1.2),
    _kind(
        "spiny_pollen",
        ((18, 60, 18, 58),),
        shape={"power": (2.0, 2.1), "rough": (0.08, 0.2), "rough_count": (14, 26)},
        wall={
            "coat_um": (1.5, 4.0),
            "coat_strength": (0.01, 0.06),
            "outer_um": (1.0, 2.5),
            "strength": (0.01, 0.05),
            "pits": (0.3, 0.8),
            "pit_um": (2.5, 5.0),
        },
        strength=(0.006, 0.04),
        pores=(0, 0, 3),
    ),
    _kind(
        "furrowed_pollen",
        ((15, 45, 14, 38), (25, 60, 18, 40)),
        shape={"power": (1.9, 2.3), "corners": 3, "corner": (0.0, 0.1), "wave": 0.01},
        wall={
            "outer_um": (1.0, 2.6),
            "strength": (0.01, 0.05),
            "pits": (0.1, 0.5),
            "pit_um": (0.9, 2.0),
            "stripes": (0.0, 0.4),
        },
        strength=(0.005, 0.03),
        furrows=(1, 3, 3),
        pores=(0, 0, 3),
    ),
    _kind(
        "grass_pollen",
        ((22, 60, 20, 55), (60, 100, 55, 95)),
        shape={"power": (2.0, 2.15), "dented": 0.3, "wave": 0.02},
        wall={"outer_um": (0.6, 1.4), "strength": (0.004, 0.03), "pits": (0.0, 0.2), "pit_um": (0.8, 1.5)},
        strength=(0.003, 0.018),
        pores=(0, 1, 1, 1),
    ),
    _kind(
        "cornered_pollen",
        ((20, 55, 18, 52),),
        shape={"power": (2.0, 2.1), "corners": 3, "corner": (0.05, 0.13), "wave": 0.008, "depth": (0.5, 0.9)},
        wall={"outer_um": (1.0, 2.4), "strength": (0.008, 0.05), "pits": (0.0, 0.3), "pit_um": (0.9, 2.0)},
        strength=(0.005, 0.03),
        pores=(0, 3),
        furrows=(0, 3),
        weight=0.8,
    ),
)
