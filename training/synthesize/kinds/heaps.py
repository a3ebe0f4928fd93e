"""Globules lying together: rafts, chains and heaps of starch, fat, yeasts or half-digested cells."""

from __future__ import annotations

import numpy as np

from training.synthesize.kinds.bodies import N_OUTLINE, outline_hull
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
from training.synthesize.kinds.clusters import heap_up
from training.synthesize.kinds.contents import granular
from training.synthesize.kinds.eggs import measures
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, confine, tinted
from training.synthesize.material import Material, Samples

_N_BALLS = 24
_COLOURS = (GREY, GREY, OLIVE, GOLD, GOLD, BROWN, BROWN, RUST, GREEN)


def _draw_heap(rng: np.random.Generator, n: int, size_um: Range, counts: tuple[int, int]) -> Parameters:
    """Balls of about one size, each set down beside one that lies already."""
    size = log_uniform(rng, n, *size_um)
    radius = 0.5 * size[:, None] * rng.lognormal(0, uniform(rng, n, (0.05, 0.45))[:, None], (n, _N_BALLS))
    live = np.arange(_N_BALLS)[None] < np.exp(
        rng.uniform(np.log(counts[0]), np.log(counts[1] + 0.99), (n, 1))
    ).astype(int)
    radius = np.clip(radius, 0.35 * size[:, None] / 2, size[:, None]) * live
    in_line, close = happens(rng, n, 0.2), uniform(rng, n, (0.6, 1.0))
    heading = rng.uniform(0, 2 * np.pi, n)
    at = np.zeros((n, _N_BALLS, 3))
    rows = np.arange(n)
    for k in range(1, _N_BALLS):
        heading = np.where(in_line > 0, heading + rng.normal(0, 0.4, n), rng.uniform(0, 2 * np.pi, n))
        beside = np.where(in_line > 0, k - 1, rng.integers(0, k, n) % np.maximum(live.sum(1), 1))
        step = close * (radius[rows, beside] + radius[:, k])
        at[:, k, 0] = at[rows, beside, 0] + step * np.cos(heading)
        at[:, k, 1] = at[rows, beside, 1] + step * np.sin(heading)
    at[..., 2] = rng.normal(0, 0.5, (n, _N_BALLS)) * radius
    at *= live[..., None]
    p = {"balls": np.concatenate((at, radius[..., None]), -1).astype(np.float32)}
    _lay_lengthwise(p)
    return {
        **p,
        **measures(_heap_outline(p)),
        "core_tint": draw_tint(rng, n, _COLOURS, (0.002, 0.12)),
        "core_index": uniform(rng, n, (0.012, 0.08))
        * rng.choice([-0.7, 1.0, 1.0, 1.0], n).astype(np.float32),
        "grain_um": (size * uniform(rng, n, (0.08, 0.4))).clip(0.5, 4.0).astype(np.float32),
        "roughness": uniform(rng, n, (0.0, 0.9)),
        "furrow": uniform(rng, n, (0.0, 4.0)),
    }


def _heap_outline(p: Parameters) -> Array:
    """Convex hull of all balls; those that aren't there lie as points in the first one."""
    angle = np.arange(N_OUTLINE) * (2 * np.pi / N_OUTLINE)
    ray = np.stack((np.cos(angle), np.sin(angle)), -1)
    balls = p["balls"][:, :, None]
    rims = balls[..., :2] + balls[..., 3:] * ray[None, None, ::4]
    points = rims.reshape(-1, _N_BALLS * N_OUTLINE // 4, 2)
    return outline_hull(points.astype(np.float32))


def _lay_lengthwise(p: Parameters) -> None:
    """Turn heaps in place by a quarter where they span more across than along, and centre them."""
    span = np.ptp(_heap_outline(p), axis=1)
    turned = (span[:, 1] > span[:, 0])[:, None]
    u, v = p["balls"][..., 0].copy(), p["balls"][..., 1].copy()
    p["balls"][..., 0], p["balls"][..., 1] = np.where(turned, -v, u), np.where(turned, u, v)
    outline = _heap_outline(p)
    p["balls"][..., :2] -= ((outline.min(1) + outline.max(1)) / 2)[:, None]


def _paint_heap(samples: Samples, p: Tensors) -> Material:
    heap = heap_up(samples, p["balls"])
    furrow = samples.of(p["furrow"]) * heap.groove
    plasm = granular(samples, p, heap.thickness_um)
    density = plasm.density + tinted(samples, p["core_tint"], furrow)
    return confine(samples, p, Material(density, plasm.path_um - 0.08 * heap.groove))


def _draw_small_heap(rng: np.random.Generator, n: int) -> Parameters:
    return _draw_heap(rng, n, (2.5, 9.0), (2, _N_BALLS))


def _draw_large_heap(rng: np.random.Generator, n: int) -> Parameters:
    return _draw_heap(rng, n, (8.0, 34.0), (2, _N_BALLS))


KINDS = (
    Kind("granule_heap", "other_artefact", _draw_small_heap, _heap_outline, _paint_heap, 1.2),
    Kind("globule_heap", "fat_or_crystal", _draw_large_heap, _heap_outline, _paint_heap, 0.8),
)
