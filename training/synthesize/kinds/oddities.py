"""Eggs like none of the groups: one with a spine, one with many walls around a hooked embryo."""

from __future__ import annotations

import numpy as np

from training.synthesize.kinds.bodies import (
    Column,
    draw_body,
    inner_body,
    locate,
    outline_body,
    outline_hull,
)
from training.synthesize.kinds.chance import BROWN, GOLD, GREY, OLIVE, Array, draw_size, draw_tint, uniform
from training.synthesize.kinds.contents import EMPTY, MASS, draw_contents, granular, paint_contents
from training.synthesize.kinds.eggs import held, measures, shell_outline
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, tinted
from training.synthesize.kinds.strands import outline_strand, rods_um, trace
from training.synthesize.kinds.walls import draw_wall, paint_wall
from training.synthesize.material import Material, Samples


def _draw_spined(rng: np.random.Generator, n: int) -> Parameters:
    """Schistosome-like: terminal or lateral spine. Sizes from memory, 110-180 x 45-73 µm and smaller."""
    length, width = draw_size(rng, n, ((110, 180, 45, 73), (65, 100, 45, 70)))
    shell = draw_body(rng, length, width, power=(2.0, 2.2), egg=(0.0, 0.16), barrel=(-0.12, 0.0))
    at = rng.choice([0.0, 0.55, 0.75], n) + rng.normal(0, 0.04, n)
    foot = 0.93 * np.stack((length / 2 * np.cos(at), width / 2 * np.sin(at)), -1)
    lean = at * 1.3
    tip = foot + (uniform(rng, n, (6, 22)) + 3)[:, None] * np.stack((np.cos(lean), np.sin(lean)), -1)
    p = {
        "shell": shell,
        "spine": np.stack((foot, (foot + tip) / 2, tip), 1).astype(np.float32),
        "spine_um": (uniform(rng, n, (1.8, 3.5))[:, None] * np.array([[1.0, 0.55, 0.15]])).astype(np.float32),
    }
    outline = _spined_outline(p)
    middle = (outline.min(1) + outline.max(1)) / 2
    shell[:, [Column.CENTRE_U, Column.CENTRE_V]] -= middle
    p["spine"] -= middle[:, None]
    wall = draw_wall(
        rng, n, outer_um=(1.0, 2.2), inner_um=(0.3, 0.8), palette=(GOLD, GREY, BROWN), strength=(0.004, 0.04)
    )
    contents = draw_contents(
        rng,
        shell,
        stages={MASS: 0.92, EMPTY: 0.08},
        fill=(0.7, 0.92),
        palette=(GREY, OLIVE, GOLD),
        strength=(0.003, 0.014),
        grain_um=(1.4, 4.0),
    )
    return p | measures(_spined_outline(p)) | wall | contents


def _spined_outline(p: Parameters) -> Array:
    spine = outline_strand(p["spine"], p["spine_um"], 24)
    return outline_hull(np.concatenate((outline_body(p["shell"]), spine), 1))


def _paint_spined(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    spine = trace(samples, p["spine"], p["spine_um"]).chord_um * (place.rho() > 0.97)
    thorn = Material(tinted(samples, 1.5 * p["wall_tint"], spine), 0.05 * spine)
    inside = held(samples, p, place, paint_contents(samples, p))
    return confine(samples, p, add(paint_wall(samples, p, place), thorn, inside))


def _draw_spindle(rng: np.random.Generator, n: int) -> Parameters:
    """Acanthocephalan-like: spindle, three walls, hooked embryo. Sizes from memory, 60-110 x 30-60 µm."""
    length, width = draw_size(rng, n, ((60, 110, 30, 60),))
    shell = draw_body(rng, length, width, power=(1.75, 2.2), wave=0.006)
    middle = inner_body(rng, shell, fill=(0.72, 0.85), drift=0.2, power=(1.8, 2.4))
    core = inner_body(rng, middle, fill=(0.66, 0.84), drift=0.2, power=(1.9, 2.3), wave=0.015)
    wall = draw_wall(
        rng, n, outer_um=(1.2, 3.0), inner_um=(0.5, 1.2), palette=(BROWN, GREY, GOLD), strength=(0.004, 0.04)
    )
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        **wall,
        "middle": middle,
        "middle_um": uniform(rng, n, (1.2, 3.0)),
        "middle_index": uniform(rng, n, (0.02, 0.06)),
        "core": core,
        "core_tint": draw_tint(rng, n, (GREY, OLIVE, BROWN), (0.006, 0.025)),
        "core_index": uniform(rng, n, (0.005, 0.03)),
        "grain_um": uniform(rng, n, (0.9, 2.2)),
        "roughness": uniform(rng, n, (0.3, 0.9)),
        "hooks": _draw_hooks(rng, core),
        "hook_um": uniform(rng, n, (0.3, 0.6)),
    }


def _draw_hooks(rng: np.random.Generator, core: Array) -> Array:
    """Ends (n, 8, 4) of short hooks at one end of each embryo."""
    n = len(core)
    half = np.stack((core[:, Column.HALF_LENGTH], core[:, Column.HALF_WIDTH]), -1)[:, None]
    start = np.stack((rng.uniform(0.45, 0.8, (n, 8)), rng.uniform(-0.5, 0.5, (n, 8))), -1)
    end = start + np.stack((rng.uniform(-0.2, -0.08, (n, 8)), rng.normal(0, 0.1, (n, 8))), -1)
    centre = core[:, None, [Column.CENTRE_U, Column.CENTRE_V]]
    return np.concatenate((start * half + centre, end * half + centre), -1).astype(np.float32)


def _paint_spindle(samples: Samples, p: Tensors) -> Material:
    place, middle, core = (locate(samples, p[name]) for name in ("shell", "middle", "core"))
    coat = middle.shell_um(0.0, samples.of(p["middle_um"]))
    hooks = rods_um(samples, p["hooks"], p["hook_um"])
    plasm = granular(samples, p, core.chord_um(rough=True))
    density = plasm.density + tinted(samples, 0.7 * p["wall_tint"], coat) + 0.25 * hooks[:, None]
    path = plasm.path_um + samples.of(p["middle_index"]) * coat + 0.1 * hooks
    inside = held(samples, p, place, Material(density, path))
    return confine(samples, p, add(paint_wall(samples, p, place), inside))


KINDS = (
    Kind("spined_egg", "other_egg", _draw_spined, _spined_outline, _paint_spined, 0.6),
    Kind("spindle_egg", "other_egg", _draw_spindle, shell_outline, _paint_spindle, 0.6),
)
