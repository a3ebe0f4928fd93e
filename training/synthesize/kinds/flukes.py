"""Eggs with a lid: flukes and pseudophyllid tapeworms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
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
    happens,
    uniform,
)
from training.synthesize.kinds.contents import CELLS, EMPTY, LARVA, MASS, draw_contents, paint_contents
from training.synthesize.kinds.eggs import held, measures
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, draw_some, tinted
from training.synthesize.kinds.walls import draw_wall, paint_wall
from training.synthesize.material import Material, Samples, soft_step


def _drawer(
    sizes: tuple[SizeRange, ...],
    *,
    shape: dict[str, Any],
    wall: dict[str, Any],
    contents: dict[str, Any],
    lid_share: Range,
    shoulder_um: Range,
    knob_um: Range,
    opened: float,
) -> Callable[[np.random.Generator, int], Parameters]:
    """`lid_share`: height of the lid over the length; `opened`: share of eggs whose lid has sprung."""

    def draw(rng: np.random.Generator, n: int) -> Parameters:
        length, width = draw_size(rng, n, sizes)
        knob = uniform(rng, n, knob_um)
        shell = draw_body(rng, length - knob * 0.7, width, **shape)
        shell[:, Column.EGG] = -np.abs(shell[:, Column.EGG])
        p = {
            "shell": shell,
            "lid_u": length * (0.5 - uniform(rng, n, lid_share)),
            "lid_bow": uniform(rng, n, (-0.05, 0.12)),
            "lid_line": uniform(rng, n, (0.3, 1.0)),
            "shoulder_um": uniform(rng, n, shoulder_um),
            "opened": happens(rng, n, opened),
            "swing": uniform(rng, n, (0.25, 1.1)) * rng.choice([-1, 1], n).astype(np.float32),
        }
        p["knob"] = _draw_knob(rng, shell, knob)
        _centre(p)
        return p | measures(_outline(p)) | draw_wall(rng, n, **wall) | draw_contents(rng, shell, **contents)

    return draw


def _draw_knob(rng: np.random.Generator, shell: Array, size_um: Array) -> Array:
    n = len(shell)
    knob = draw_body(rng, 1.6 * size_um, 2.0 * size_um)
    end = outline_body(shell)[:, :, 0].min(1)
    knob[:, Column.CENTRE_U] += end + 0.1 * size_um
    knob[:, Column.CENTRE_V] += (rng.normal(0, 0.08, n) * shell[:, Column.HALF_WIDTH]).astype(np.float32)
    return knob


def _centre(p: Parameters) -> None:
    """Shift all parts in place until the outline is centred, then note where lid and wall meet."""
    outline = _outline(p)
    middle = (outline.min(1) + outline.max(1)) / 2
    for name in ("shell", "knob"):
        p[name][:, [Column.CENTRE_U, Column.CENTRE_V]] -= middle
    p["lid_u"] = (p["lid_u"] - middle[:, 0]).astype(np.float32)
    p["shoulder_at"] = _shoulders(p, outline_body(p["shell"]))


def outline_seen(p: Parameters) -> Array:
    """Outlines (n, 96, 2) of what is drawn: the lid ends at its rim.

    The outline that detectors learn boxes from gives the lid's rim the breadth of the whole egg, which leaves
    two corners that nobody can see.
    """
    return _outline(p, is_lid_cut=True)


def _outline(p: Parameters, *, is_lid_cut: bool = False) -> Array:
    egg = outline_body(p["shell"])
    shoulders = _shoulders(p, egg)
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    ring = np.stack((np.cos(angle), np.sin(angle)), -1)[None] * p["shoulder_um"][:, None, None]
    rings = [ring + shoulders[:, None, i] for i in (0, 1)]
    breadth = np.sort(shoulders[:, :, 1], axis=1) if is_lid_cut else None
    return outline_union(*_halves(p, egg, shoulders[:, 0], breadth), outline_body(p["knob"]), *rings)


def _halves(p: Parameters, egg: Array, hinge: Array, breadth: Array | None) -> tuple[Array, Array]:
    """Outlines of the case and of the lid, swung about its hinge where the egg is open.

    `breadth` (n, 2) is where the lid's rim begins and ends across the egg.
    """
    edge = p["lid_u"][:, None]
    case, lid = egg.copy(), egg.copy()
    lid[:, :, 0] = np.maximum(egg[:, :, 0], edge)
    if breadth is not None:
        cut = np.clip(egg[:, :, 1], breadth[:, :1], breadth[:, 1:])
        lid[:, :, 1] = np.where(egg[:, :, 0] < edge, cut, egg[:, :, 1])
    case[:, :, 0] = np.where(p["opened"][:, None] > 0, np.minimum(egg[:, :, 0], edge), egg[:, :, 0])
    swing = p["swing"] * p["opened"]
    cos, sin = np.cos(swing)[:, None], np.sin(swing)[:, None]
    u, v = (lid - hinge[:, None]).transpose(2, 0, 1)
    return case, hinge[:, None] + np.stack((u * cos - v * sin, u * sin + v * cos), -1)


def _shoulders(p: Parameters, egg: Array) -> Array:
    """Places (n, 2, 2) where the lid's rim meets the outline; the hinge of the lid comes first."""
    upper = egg[:, :, 1] > egg[:, :, 1].mean(1, keepdims=True)
    hinge_above = (p["swing"] > 0)[:, None]
    places = []
    for side in (upper == hinge_above, upper != hinge_above):
        off = np.abs(egg[:, :, 0] - p["lid_u"][:, None]) + 1e6 * ~side
        places.append(egg[np.arange(len(egg)), off.argmin(1)] * np.float32(0.985))
    return np.stack(places, 1)


def _paint(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    wall = paint_wall(samples, p, place)
    across = place.across_um / samples.of(p["shell"][:, Column.HALF_WIDTH])
    bow = samples.of(p["lid_bow"] * p["length_um"]) * (1 - 2.5 * across**2)
    beyond = samples.u_um - samples.of(p["lid_u"]) - bow * (1 - samples.of(p["opened"]))
    rim = torch.exp(-((beyond / 0.8) ** 2)) * samples.of(p["lid_line"] * (1 - p["opened"]))
    shell = place.shell_um(0.0, samples.of(p["lining_um"]))
    line = Material(tinted(samples, p["wall_tint"], 1.5 * rim * shell), -0.03 * rim * shell)
    gone = torch.sigmoid(3 * beyond) * samples.of(p["opened"])
    contents = held(samples, p, place, paint_contents(samples, p))
    case = add(wall, contents)
    case = Material(case.density * (1 - gone[:, None]), case.path_um * (1 - gone))
    lid = draw_some(samples, p, p["opened"] > 0, _paint_lid)
    return confine(samples, p, add(case, line, lid, _paint_trimmings(samples, p)))


def _paint_lid(samples: Samples, p: Tensors) -> Material:
    """The sprung lid: the end of the wall, turned about the hinge."""
    swing, hinge = samples.of(p["swing"]), samples.of(p["shoulder_at"][:, 0])
    u, v = samples.u_um - hinge[:, 0], samples.v_um - hinge[:, 1]
    cos, sin = swing.cos(), swing.sin()
    shut = replace(samples, u_um=hinge[:, 0] + u * cos + v * sin, v_um=hinge[:, 1] + v * cos - u * sin)
    wall = paint_wall(shut, p, locate(shut, p["shell"]))
    kept = soft_step(samples.of(p["lid_u"]) - shut.u_um, 0.5)
    return Material(wall.density * kept[:, None], wall.path_um * kept)


def _paint_trimmings(samples: Samples, p: Tensors) -> Material:
    """Knob at the far end and the shoulders that carry the lid."""
    chord = locate(samples, p["knob"]).chord_um()
    radius = samples.of(p["shoulder_um"])
    for i in (0, 1):
        u = samples.u_um - samples.of(p["shoulder_at"][:, i, 0])
        v = samples.v_um - samples.of(p["shoulder_at"][:, i, 1])
        chord = chord + 2 * (radius**2 - u**2 - v**2).clamp_min(0).sqrt()
    return Material(tinted(samples, 1.5 * p["wall_tint"], chord), 0.05 * chord)


def _kind(name: str, sizes: tuple[SizeRange, ...], weight: float, **parts: Any) -> Kind:
    return Kind(name, "operculate_egg", _drawer(sizes, **parts), _outline, _paint, weight)


_YOLK = {
    "stages": {MASS: 0.62, CELLS: 0.34, EMPTY: 0.04},
    "fill": (0.86, 0.985),
    "palette": (BROWN, GOLD, OLIVE, GREY),
    "strength": (0.006, 0.024),
    "grain_um": (1.2, 4.5),
    "roughness": (0.2, 0.9),
    "cell_counts": (20, 26, 32),
    "dented": 0.1,
}

KINDS = (
    _kind(
        "pseudophyllid_egg",
        ((58, 76, 40, 51), (60, 72, 35, 45)),
        1.0,
        shape={"power": (2.0, 2.3), "egg": (0.02, 0.12), "wave": 0.008, "dented": 0.05},
        wall={
            "outer_um": (0.9, 2.0),
            "inner_um": (0.2, 0.7),
            "palette": (GOLD, BROWN, OLIVE, GREY),
            "strength": (0.008, 0.05),
        },
        contents=_YOLK,
        lid_share=(0.06, 0.16),
        shoulder_um=(0.2, 0.7),
        knob_um=(0.3, 1.8),
        opened=0.25,
    ),
    _kind(
        "small_fluke_egg",
        ((26, 35, 12, 20), (30, 46, 18, 28)),
        0.8,
        shape={"power": (2.0, 2.2), "egg": (0.1, 0.3), "wave": 0.008},
        wall={
            "outer_um": (0.8, 1.5),
            "inner_um": (0.2, 0.5),
            "palette": (GOLD, BROWN, RUST),
            "strength": (0.015, 0.08),
        },
        contents=_YOLK | {"stages": {MASS: 0.8, LARVA: 0.1, CELLS: 0.1}, "fill": (0.74, 0.9)},
        lid_share=(0.12, 0.24),
        shoulder_um=(0.6, 1.4),
        knob_um=(0.3, 1.4),
        opened=0.06,
    ),
    _kind(
        "middle_fluke_egg",
        ((75, 118, 42, 67), (72, 97, 35, 55)),
        1.0,
        shape={"power": (2.0, 2.3), "egg": (0.02, 0.16), "wave": 0.01, "dented": 0.05},
        wall={
            "outer_um": (1.2, 2.6),
            "inner_um": (0.2, 0.7),
            "palette": (GOLD, BROWN, RUST),
            "strength": (0.012, 0.06),
        },
        contents=_YOLK,
        lid_share=(0.05, 0.16),
        shoulder_um=(0.6, 1.8),
        knob_um=(0.2, 2.2),
        opened=0.12,
    ),
    _kind(
        "large_fluke_egg",
        ((98, 134, 62, 68), (130, 150, 63, 90)),
        0.8,
        shape={"power": (2.0, 2.2), "egg": (0.0, 0.12), "wave": 0.008, "dented": 0.08},
        wall={
            "outer_um": (1.0, 2.2),
            "inner_um": (0.2, 0.7),
            "palette": (GOLD, BROWN, OLIVE),
            "strength": (0.006, 0.035),
        },
        contents=_YOLK | {"strength": (0.004, 0.014), "grain_um": (1.6, 4.0), "fill": (0.88, 0.97)},
        lid_share=(0.04, 0.12),
        shoulder_um=(0.2, 0.8),
        knob_um=(0.2, 1.6),
        opened=0.15,
    ),
)
