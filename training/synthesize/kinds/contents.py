"""What a shell holds: one granular cell, a heap of cells, a folded larva, or nothing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from torch import Tensor

from training.synthesize.kinds.bodies import Column, inner_body, locate
from training.synthesize.kinds.chance import Array, Range, draw_tint, happens, uniform
from training.synthesize.kinds.clusters import draw_cluster, heap_up
from training.synthesize.kinds.light import Tensors, grain, keep, tinted
from training.synthesize.kinds.strands import trace
from training.synthesize.material import Material, Samples

EMPTY, MASS, CELLS, LARVA = 0.0, 1.0, 2.0, 3.0
_N_CELLS = 32
_N_POINTS = 32


def draw_contents(
    rng: np.random.Generator,
    shell: Array,
    *,
    stages: dict[float, float],
    fill: Range,
    drift: float = 0.4,
    palette: Sequence[tuple[float, float, float]],
    strength: Range,
    index: Range = (0.01, 0.035),
    grain_um: Range = (0.8, 1.8),
    roughness: Range = (0.3, 0.9),
    cell_counts: Sequence[int] = (2, 4, 8, 16, 32),
    power: Range = (1.9, 2.4),
    larva_share: Range = (0.14, 0.2),
    turns: Range = (1.2, 2.2),
    dented: float = 0.15,
    rounded: float = 0.0,
) -> dict[str, Array]:
    """Parameters of the contents of each shell (n, N_COLUMNS).

    `stages` gives the share of each stage; `fill` the part of the shell's outer size that the contents take;
    `larva_share` the larva's radius over the half width of the room; `rounded` draws contents towards a ball.
    """
    n = len(shell)
    shape = {"power": power, "wave": 0.02, "dented": dented, "rough": (0.0, 0.02)}
    core = inner_body(rng, shell, fill=fill, drift=drift, rounded=rounded, **shape)
    shares = np.asarray(list(stages.values()))
    stage = rng.choice(np.asarray(list(stages), np.float32), n, p=shares / shares.sum())
    counts = rng.choice(np.asarray(cell_counts), n)
    larva, larva_radius = _draw_folded_larva(rng, core, larva_share, turns)
    return {
        "core": core,
        "stage": stage.astype(np.float32),
        "cells": draw_cluster(rng, core, counts, _N_CELLS),
        "larva": larva,
        "larva_radius": larva_radius,
        "core_tint": draw_tint(rng, n, palette, strength),
        "core_index": uniform(rng, n, index),
        "grain_um": uniform(rng, n, grain_um),
        "roughness": uniform(rng, n, roughness),
        "pale": happens(rng, n, 0.35) * uniform(rng, n, (0.2, 0.7)),
        "pale_at": rng.uniform(-0.35, 0.35, (n, 2)).astype(np.float32),
    }


def _draw_folded_larva(
    rng: np.random.Generator, core: Array, share: Range, turns: Range
) -> tuple[Array, Array]:
    """Midline (n, K, 2) and radius (n, K) of a larva wound up inside each body."""
    n = len(core)
    t = np.linspace(0, 1, _N_POINTS)[None]
    width = core[:, Column.HALF_WIDTH, None]
    radius = width * uniform(rng, n, share)[:, None]
    turn = uniform(rng, n, turns)[:, None] * rng.choice([-1, 1], (n, 1))
    start = rng.uniform(0, 2 * np.pi, (n, 1))
    inward = 1 - (1 - rng.uniform(0.05, 0.3, (n, 1))) * t ** rng.uniform(0.8, 1.3, (n, 1))
    angle = start + 2 * np.pi * turn * t + 0.25 * np.sin(rng.uniform(3, 9, (n, 1)) * t)
    half = core[:, [Column.HALF_LENGTH, Column.HALF_WIDTH]] - radius
    u = core[:, [Column.CENTRE_U]] + half[:, :1] * inward * np.cos(angle)
    v = core[:, [Column.CENTRE_V]] + half[:, 1:] * inward * np.sin(angle)
    taper = np.clip(np.minimum(0.55 + 4 * t, 3.2 * (1.02 - t)), 0.2, 1)
    return np.stack((u, v), -1).astype(np.float32), (radius * taper).astype(np.float32)


def paint_contents(samples: Samples, p: Tensors) -> Material:
    """The contents, each object at its own stage: what they are shaped like, then what they are made of."""
    stage = p["stage"]
    way = torch.zeros_like(samples.u_um)
    shade, bend = torch.ones_like(way), torch.zeros_like(way)
    for each, shape in ((MASS, _shape_mass), (CELLS, _shape_cells), (LARVA, _shape_larva)):
        kept, part = keep(samples, stage == each)
        if len(kept):
            own_way, own_shade, own_bend = shape(part, p)
            way = way.index_copy(0, kept, own_way)
            shade = shade.index_copy(0, kept, own_shade)
            bend = bend.index_copy(0, kept, own_bend)
    plasm = granular(samples, p, way)
    return Material(plasm.density * shade[:, None], plasm.path_um + bend)


def granular(samples: Samples, p: Tensors, chord_um: Tensor) -> Material:
    """Granular plasm: dark and bright grains of two sizes, over the way that the light takes in it.

    How much of the grain is fine, and how far it bends the light rather than darken it, goes with the
    object's place in the texture: some plasm is smooth, some coarse, some glitters.
    """
    rough = samples.of(p["roughness"])
    glitter, fineness = samples.of(samples.offset).unbind(-1)
    fine, coarse = grain(samples, p["grain_um"]), grain(samples, 2.7 * p["grain_um"], 5)
    mixed = (0.2 + 0.7 * fineness) * fine + (0.9 - 0.7 * fineness) * coarse
    depth = chord_um.clamp_max(30.0)
    density = tinted(samples, p["core_tint"], chord_um * (1 + rough * mixed).clamp_min(0.05))
    relief = (0.006 + 0.05 * glitter**2) * rough
    path = samples.of(p["core_index"]) * chord_um + relief * mixed * depth.sqrt()
    return Material(density, path)


Shape = tuple[Tensor, Tensor, Tensor]
"""Way of the light in µm, factor on the density, path in µm beyond that of the plasm."""


def _shape_mass(samples: Samples, p: Tensors) -> Shape:
    place = locate(samples, p["core"])
    width = 2 * place.table[Column.HALF_WIDTH]
    away = (place.along_um / width - samples.of(p["pale_at"][:, 0])) ** 2
    away = away + (place.across_um / width - samples.of(p["pale_at"][:, 1])) ** 2
    pale = samples.of(p["pale"]) * torch.exp(-away / 0.02)
    return place.chord_um(rough=True), 1 - pale, torch.zeros_like(pale)


def _shape_cells(samples: Samples, p: Tensors) -> Shape:
    heap = heap_up(samples, p["cells"])
    return heap.thickness_um, 1 + 0.9 * heap.groove, -0.12 * heap.groove


def _shape_larva(samples: Samples, p: Tensors) -> Shape:
    strand = trace(samples, p["larva"], p["larva_radius"])
    skin = strand.chord_um - strand.core_um(0.85)
    way = strand.core_um(0.75) * (1.2 + strand.along) + 1.5 * skin
    return way, torch.ones_like(way), 0.03 * strand.chord_um + 0.02 * skin
