"""Plant remains: cells with thick walls, sheets of cells, hairs, fibres, spiral vessels, starch."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import torch

from training.synthesize.kinds.bodies import Column, draw_body, locate
from training.synthesize.kinds.chance import (
    BROWN,
    GOLD,
    GREEN,
    GREY,
    OLIVE,
    Array,
    Range,
    draw_tint,
    happens,
    log_uniform,
    uniform,
)
from training.synthesize.kinds.contents import granular
from training.synthesize.kinds.eggs import held, measures, shell_outline
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, grain, tinted
from training.synthesize.kinds.strands import lay_lengthwise, outline_strand, trace
from training.synthesize.kinds.walls import draw_wall, paint_wall
from training.synthesize.material import Material, Samples, soft_step

_PALETTE = (GREY, GREEN, GOLD, BROWN, OLIVE)


def _draw_cell(rng: np.random.Generator, n: int) -> Parameters:
    length = log_uniform(rng, n, 20, 170)
    width = length * uniform(rng, n, (0.3, 1.0))
    shell = draw_body(
        rng,
        length,
        width,
        power=(2.1, 6.0),
        egg=(0, 0.2),
        barrel=(-0.2, 0.1),
        wave=0.03,
        dented=0.35,
        depth=(0.3, 0.9),
    )
    bits = rng.uniform(-0.6, 0.6, (n, _N_BITS, 2)) * shell[:, None, [Column.HALF_LENGTH, Column.HALF_WIDTH]]
    bit_um = width[:, None] * rng.uniform(0.03, 0.09, (n, _N_BITS)) * happens(rng, n, 0.4)[:, None]
    bits = np.concatenate((bits + shell[:, None, [Column.CENTRE_U, Column.CENTRE_V]], bit_um[..., None]), -1)
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        **draw_wall(
            rng,
            n,
            outer_um=(0.8, 5.0),
            inner_um=(0.3, 1.2),
            palette=_PALETTE,
            strength=(0.002, 0.03),
            pits=(0.0, 0.3),
            stripes=(0.0, 0.25),
            stripe_um=(2.0, 8.0),
            waves_um=(0.0, 0.8),
        ),
        "bits": bits.astype(np.float32),
        "core_tint": draw_tint(rng, n, (GREEN, OLIVE, BROWN), (0.01, 0.08)),
        "sap_tint": draw_tint(rng, n, _PALETTE, (0.0003, 0.012)),
    }


_N_BITS = 12


def _paint_cell(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    chord = torch.zeros_like(samples.u_um)
    for k in range(_N_BITS):
        u, v = samples.u_um - samples.of(p["bits"][:, k, 0]), samples.v_um - samples.of(p["bits"][:, k, 1])
        chord = chord + 2 * (samples.of(p["bits"][:, k, 2]) ** 2 - u**2 - v**2).clamp_min(0).sqrt()
    sap = place.chord_um(samples.of(p["lining_um"])) * (1 + 0.4 * grain(samples, 9.0, 5))
    density = tinted(samples, p["core_tint"], chord) + tinted(samples, p["sap_tint"], sap)
    inside = held(samples, p, place, Material(density, 0.04 * chord))
    return confine(samples, p, add(paint_wall(samples, p, place), inside))


_N_CELLS = 24


def _draw_sheet(rng: np.random.Generator, n: int) -> Parameters:
    """A torn sheet of cells, wall to wall."""
    length = log_uniform(rng, n, 40, 240)
    width = length * uniform(rng, n, (0.35, 0.95))
    shell = draw_body(
        rng, length, width, power=(2.0, 4.0), wave=0.06, rough=(0.0, 0.1), rough_count=(5, 14), dented=0.5
    )
    row, column = np.divmod(np.arange(_N_CELLS), 6)
    grid = np.stack(((column - 2.5 + 0.5 * (row % 2)) / 2.6, (row - 1.5) / 1.6), -1)[None]
    points = grid + rng.normal(0, 0.06, (n, _N_CELLS, 2))
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        "points": (points * np.stack((length, width), -1)[:, None] / 2).astype(np.float32),
        "wall_um": uniform(rng, n, (0.7, 2.6)),
        "thick_um": uniform(rng, n, (3, 12)),
        "wall_index": uniform(rng, n, (0.02, 0.07)),
        "wall_tint": draw_tint(rng, n, _PALETTE, (0.005, 0.05)),
        "core_tint": draw_tint(rng, n, _PALETTE, (0.002, 0.03)),
        "core_index": uniform(rng, n, (0.0, 0.015)),
        "grain_um": log_uniform(rng, n, 1.0, 6.0),
        "roughness": uniform(rng, n, (0.2, 1.2)),
    }


def _paint_sheet(samples: Samples, p: Tensors) -> Material:
    inside = soft_step(locate(samples, p["shell"]).distance_um(rough=True), 0.6)
    nearest = torch.full_like(samples.u_um, 1e9)
    second = nearest.clone()
    for k in range(_N_CELLS):
        u, v = (
            samples.u_um - samples.of(p["points"][:, k, 0]),
            samples.v_um - samples.of(p["points"][:, k, 1]),
        )
        distance = (u**2 + v**2).sqrt()
        second = torch.minimum(second, torch.maximum(nearest, distance))
        nearest = torch.minimum(nearest, distance)
    wall = soft_step(second - nearest - samples.of(p["wall_um"]), 0.8)
    thick = samples.of(p["thick_um"]) * inside
    plasm = granular(samples, p, thick * (1 - wall))
    density = plasm.density + tinted(samples, p["wall_tint"], thick * wall)
    return confine(samples, p, Material(density, plasm.path_um + samples.of(p["wall_index"]) * thick * wall))


def _draw_starch(rng: np.random.Generator, n: int) -> Parameters:
    length = log_uniform(rng, n, 8, 65)
    width = length * uniform(rng, n, (0.65, 1.0))
    shell = draw_body(rng, length, width, power=(2.0, 2.5), egg=(0, 0.18), wave=0.012)
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        "hilum_u": length * uniform(rng, n, (-0.3, 0.3)),
        "rings": uniform(rng, n, (0.0, 0.22)),
        "ring_um": uniform(rng, n, (1.4, 4.0)),
        "cross": happens(rng, n, 0.4) * uniform(rng, n, (0.2, 0.9)),
        "index": uniform(rng, n, (0.05, 0.13)),
        "tint": draw_tint(rng, n, (GREY, GOLD, (1.0, 0.9, 0.35)), (0.0005, 0.03)),
    }


def _paint_starch(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    chord = place.chord_um()
    u, v = samples.u_um - samples.of(p["hilum_u"]), samples.v_um
    away = (u**2 + v**2).sqrt()
    scale = 1 + 0.35 * (place.rho() - 0.5)
    rings = samples.of(p["rings"]) * (2 * torch.pi * away / (samples.of(p["ring_um"]) * scale)).cos()
    cross = torch.exp(-((torch.minimum(u.abs(), v.abs()) / (0.3 + 0.12 * away)) ** 2))
    cross = cross * samples.of(p["cross"]) * torch.exp(-away / samples.of(0.3 * p["width_um"]))
    density = tinted(samples, p["tint"], chord * (1 + rings)) + 0.7 * (cross * (chord > 0))[:, None]
    return confine(samples, p, Material(density, samples.of(p["index"]) * chord * (1 + 0.4 * rings)))


_N_POINTS = 12


def bent_line(rng: np.random.Generator, length_um: Array, n_points: int, bend: Range) -> Array:
    """Midlines (n, n_points, 2) of that length, smoothly bent by up to `bend` radians in all."""
    n = len(length_um)
    t = np.linspace(0, 1, n_points)[None]
    heading = uniform(rng, n, bend)[:, None] * (t - 0.5) * rng.choice([-1, 1], (n, 1))
    for k in (1, 2, 3):
        size = uniform(rng, n, bend)[:, None] * rng.normal(0, 0.35 / k, (n, 1))
        heading = heading + size * np.sin(np.pi * k * t + rng.uniform(0, 2 * np.pi, (n, 1)))
    step = length_um[:, None] / (n_points - 1)
    moves = np.stack((np.cos(heading) * step, np.sin(heading) * step), -1)
    return np.cumsum(moves, 1).astype(np.float32)


def _thread_drawer(
    length_um: Range, radius_um: Range, bend: Range, taper: Range
) -> Callable[[np.random.Generator, int], Parameters]:
    def draw(rng: np.random.Generator, n: int) -> Parameters:
        length = log_uniform(rng, n, *length_um)
        radius = np.minimum(uniform(rng, n, radius_um), 0.2 * length)
        t = np.linspace(0, 1, _N_POINTS)[None]
        thin = 1 - uniform(rng, n, taper)[:, None] * t
        width = (radius[:, None] * thin).astype(np.float32)
        points, long, wide = lay_lengthwise(bent_line(rng, length, _N_POINTS, bend), width)
        p = {"points": points, "radius_um": width}
        return {
            **p,
            "length_um": long,
            "width_um": wide,
            "reach_um": 1.02 * np.maximum(long, wide) / 2 + np.float32(0.5),
            "lumen": uniform(rng, n, (0.0, 0.75)),
            "wall_index": uniform(rng, n, (0.02, 0.08)),
            "wall_tint": draw_tint(rng, n, (*_PALETTE, (1.0, 0.5, 0.2)), (0.001, 0.05)),
            "rings": happens(rng, n, 0.5) * uniform(rng, n, (0.1, 0.6)),
            "ring_count": uniform(rng, n, (4, 24)),
            "slant": uniform(rng, n, (-2.0, 2.0)),
            "streaks": uniform(rng, n, (0.0, 0.5)),
        }

    return draw


def strand_outline(p: Parameters) -> Array:
    """Outline of the strand called `points`."""
    return outline_strand(p["points"], p["radius_um"])


def _paint_thread(samples: Samples, p: Tensors) -> Material:
    """A hair or fibre: wall and lumen, streaked, with cross bars or a spiral."""
    strand = trace(samples, p["points"], p["radius_um"])
    wall = strand.chord_um - strand.core_um(0.9) * samples.of(p["lumen"])
    turn = 2 * torch.pi * samples.of(p["ring_count"]) * strand.along + samples.of(p["slant"]) * strand.across
    bars = samples.of(p["rings"]) * (2 * turn.cos()).tanh()
    streaks = samples.of(p["streaks"]) * (7 * strand.across + samples.of(p["slant"])).cos()
    wall = wall * (1 + bars + streaks + 0.2 * grain(samples, 3.0, 5)).clamp_min(0)
    return confine(
        samples, p, Material(tinted(samples, p["wall_tint"], wall), samples.of(p["wall_index"]) * wall)
    )


def _draw_vessel(rng: np.random.Generator, n: int) -> Parameters:
    p = _thread_drawer((50, 260), (6, 18), (0.0, 0.6), (0.0, 0.1))(rng, n)
    turns = p["length_um"] / uniform(rng, n, (4, 9))
    return p | {
        "rings": uniform(rng, n, (0.6, 1.0)),
        "ring_count": turns,
        "lumen": uniform(rng, n, (0.6, 0.9)),
        "streaks": uniform(rng, n, (0.0, 0.1)),
    }


KINDS = (
    Kind("plant_cell", "plant_debris", _draw_cell, shell_outline, _paint_cell, 1.5),
    Kind("cell_sheet", "plant_debris", _draw_sheet, shell_outline, _paint_sheet),
    Kind("starch_grain", "plant_debris", _draw_starch, shell_outline, _paint_starch, 0.8),
    Kind(
        name="plant_hair",
        group="plant_debris",
        draw_parameters=_thread_drawer((40, 320), (3, 10), (0.0, 1.6), (0.4, 0.88)),
        outline=strand_outline,
        material=_paint_thread,
    ),
    Kind(
        name="fibre",
        group="plant_debris",
        draw_parameters=_thread_drawer((80, 420), (2, 9), (0.0, 2.4), (0.0, 0.15)),
        outline=strand_outline,
        material=_paint_thread,
        weight=0.8,
    ),
    Kind("spiral_vessel", "plant_debris", _draw_vessel, strand_outline, _paint_thread, 0.5),
)
