"""Oocysts, sporocysts and cysts of protozoa."""

from __future__ import annotations

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
    GREY,
    OLIVE,
    Array,
    SizeRange,
    draw_size,
    draw_tint,
    happens,
    uniform,
)
from training.synthesize.kinds.contents import CELLS, EMPTY, MASS, granular
from training.synthesize.kinds.eggs import egg_kind, held, measures, shell_outline
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, tinted
from training.synthesize.kinds.strands import rods_um, trace
from training.synthesize.kinds.walls import draw_wall, paint_wall
from training.synthesize.material import Material, Samples, soft_step

_CLEAR_WALL = {
    "outer_um": (0.5, 1.1),
    "inner_um": (0.15, 0.5),
    "index": (0.03, 0.09),
    "palette": (GREY, GOLD),
    "strength": (0.0005, 0.01),
}
_SPORONT = {
    "stages": {MASS: 0.8, CELLS: 0.17, EMPTY: 0.03},
    "fill": (0.6, 0.92),
    "palette": (GREY, OLIVE),
    "strength": (0.006, 0.026),
    "rounded": 1.0,
    "cell_counts": (2,),
    "drift": 0.5,
    "grain_um": (0.8, 1.6),
    "power": (2.0, 2.1),
}


def _draw_sporocysts(rng: np.random.Generator, shell: Array) -> dict[str, Array]:
    """Two sporocysts in each oocyst, each with a residue and four sporozoites."""
    n = len(shell)
    parts: dict[str, Array] = {}
    turn = rng.uniform(-0.5, 0.5, n)
    for i, sign in enumerate((-1, 1)):
        length = 2 * shell[:, Column.HALF_WIDTH] * uniform(rng, n, (0.52, 0.7))
        body = draw_body(rng, length, length * uniform(rng, n, (0.66, 0.82)), egg=(0, 0.08))
        body[:, Column.TILT] = turn + rng.normal(0, 0.25, n)
        apart = shell[:, Column.HALF_LENGTH] - 0.5 * length
        body[:, Column.CENTRE_U] += sign * apart * 0.8
        body[:, Column.CENTRE_V] += (rng.normal(0, 0.04, n) * length).astype(np.float32)
        parts[f"sporocyst_{i}"] = body
        parts[f"sporozoites_{i}"] = _draw_sporozoites(rng, body)
        parts[f"residue_{i}"] = inner_body(rng, body, fill=(0.3, 0.55), drift=0.6, rounded=1.0, wave=0.04)
    parts |= {
        "core_tint": draw_tint(rng, n, (GREY, OLIVE), (0.01, 0.035)),
        "core_index": uniform(rng, n, (0.015, 0.04)),
        "skin_um": uniform(rng, n, (0.25, 0.6)),
        "skin_index": uniform(rng, n, (0.04, 0.09)),
        "grain_um": uniform(rng, n, (0.6, 1.1)),
        "roughness": uniform(rng, n, (0.4, 1.0)),
    }
    return parts


def _draw_sporozoites(rng: np.random.Generator, body: Array) -> Array:
    """Ends (n, 4, 4) of sausages lying about lengthwise in each body."""
    n = len(body)
    half = np.stack((body[:, Column.HALF_LENGTH], body[:, Column.HALF_WIDTH]), -1)[:, None]
    tilt = (body[:, [Column.TILT]] + rng.normal(0, 0.25, (n, 4)))[..., None]
    lane = np.array([-0.5, -0.18, 0.18, 0.5])[None, :, None] * half[..., 1:]
    cos, sin = np.cos(tilt), np.sin(tilt)
    middle = body[:, None, [Column.CENTRE_U, Column.CENTRE_V]] + lane * np.concatenate((-sin, cos), -1)
    reach = half[..., :1] * rng.uniform(0.4, 0.6, (n, 4, 1)) * np.concatenate((cos, sin), -1)
    return np.concatenate((middle - reach, middle + reach), -1).astype(np.float32)


def _paint_sporocyst(samples: Samples, p: Tensors, i: int) -> Material:
    place = locate(samples, p[f"sporocyst_{i}"])
    skin = place.shell_um(0.0, samples.of(p["skin_um"]))
    radius = 0.2 * p[f"sporocyst_{i}"][:, Column.HALF_WIDTH]
    inside = soft_step(place.distance_um(samples.of(p["skin_um"])), 0.3)
    rods = rods_um(samples, p[f"sporozoites_{i}"], radius) * inside
    residue = granular(samples, p, locate(samples, p[f"residue_{i}"]).chord_um())
    density = residue.density + tinted(samples, 0.5 * p["core_tint"], rods + skin)
    path = residue.path_um + samples.of(p["skin_index"]) * skin + 0.03 * rods + 0.006 * place.chord_um()
    return Material(density, path)


def _draw_sporulated(rng: np.random.Generator, n: int) -> Parameters:
    length, width = draw_size(rng, n, ((17, 27, 15, 24), (32, 51, 27, 41), (13, 22, 12, 20)))
    shell = draw_body(rng, length, width, power=(2.0, 2.15), egg=(0, 0.1))
    wall = draw_wall(rng, n, **_CLEAR_WALL)
    size = measures(shell_outline({"shell": shell}))
    return {"shell": shell} | size | wall | _draw_sporocysts(rng, shell)


def _paint_sporulated(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    inside = add(_paint_sporocyst(samples, p, 0), _paint_sporocyst(samples, p, 1))
    return confine(samples, p, add(paint_wall(samples, p, place), held(samples, p, place, inside)))


_TWO = ("sporocyst_0", "sporocyst_1")


def _draw_sporocyst_pair(rng: np.random.Generator, n: int) -> Parameters:
    """Two sporocysts side by side, or one alone, within a wall too thin to see."""
    length, width = draw_size(rng, n, ((12, 17, 8, 11),))
    p = _draw_sporocysts(rng, draw_body(rng, length, width))
    p["single"] = happens(rng, n, 0.3)
    apart = 0.47 * width * (1 - p["single"])
    slip = rng.normal(0, 0.05, n).astype(np.float32) * length * (1 - p["single"])
    tilt = np.where(p["single"] > 0, 0.0, np.pi / 2)
    for i, sign in enumerate((-1, 1)):
        body = draw_body(rng, length, width, egg=(0, 0.06))
        body[:, Column.TILT] = tilt + rng.normal(0, 0.2, n) * (1 - p["single"])
        body[:, Column.CENTRE_U] += sign * apart
        body[:, Column.CENTRE_V] += sign * slip
        p[f"sporocyst_{i}"] = body
    _lay_lengthwise(p)
    for i, name in enumerate(_TWO):
        p[f"sporozoites_{i}"] = _draw_sporozoites(rng, p[name])
        p[f"residue_{i}"] = inner_body(rng, p[name], fill=(0.3, 0.5), drift=0.4, rounded=1.0, wave=0.05)
    return p | measures(_pair_outline(p))


def _lay_lengthwise(p: Parameters) -> None:
    """Turn pairs in place by a quarter where they are longer across than along, and centre them."""
    span = np.ptp(_pair_outline(p), axis=1)
    turned = span[:, 1] > span[:, 0]
    for name in _TWO:
        u, v = p[name][:, Column.CENTRE_U].copy(), p[name][:, Column.CENTRE_V].copy()
        p[name][:, Column.CENTRE_U] = np.where(turned, -v, u)
        p[name][:, Column.CENTRE_V] = np.where(turned, u, v)
        p[name][:, Column.TILT] += np.where(turned, np.pi / 2, 0)
    outline = _pair_outline(p)
    middle = (outline.min(1) + outline.max(1)) / 2
    for name in _TWO:
        p[name][:, [Column.CENTRE_U, Column.CENTRE_V]] -= middle


def _pair_outline(p: Parameters) -> Array:
    first, second = (outline_body(p[name]) for name in _TWO)
    kept = np.where(p["single"][:, None, None] > 0, first, second)
    return outline_union(first, kept)


def _outline_bodies(p: Parameters) -> Array:
    """Each sporocyst of a pair by itself: nobody sees the wall that holds them."""
    both = np.stack([outline_body(p[name]) for name in _TWO], axis=1)
    both[p["single"] > 0] = np.nan
    return both


def _paint_pair(samples: Samples, p: Tensors) -> Material:
    first, second = _paint_sporocyst(samples, p, 0), _paint_sporocyst(samples, p, 1)
    kept = 1 - samples.of(p["single"])
    second = Material(second.density * kept[:, None], second.path_um * kept)
    return confine(samples, p, add(first, second))


_N_NUCLEI = 4


def _draw_giardia(rng: np.random.Generator, n: int) -> Parameters:
    length, width = draw_size(rng, n, ((8.5, 14, 7, 10),))
    shell = draw_body(rng, length, width, power=(2.0, 2.3), egg=(0, 0.1), wave=0.012, dented=0.05)
    stained = happens(rng, n, 0.5)[:, None]
    core = inner_body(rng, shell, fill=(0.7, 0.95), drift=0.8, wave=0.025, dented=0.2)
    pale = draw_tint(rng, n, (GREY, OLIVE), (0.004, 0.03))
    iodine = draw_tint(rng, n, (GOLD, GOLD, BROWN), (0.04, 0.24))
    wall = draw_wall(
        rng,
        n,
        outer_um=(0.25, 0.5),
        inner_um=(0.1, 0.3),
        index=(0.03, 0.08),
        palette=(GREY, GOLD),
        strength=(0.001, 0.03),
    )
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        **wall,
        "core": core,
        "core_tint": pale + stained * (iodine - pale),
        "core_index": uniform(rng, n, (0.005, 0.035)),
        "grain_um": uniform(rng, n, (0.7, 1.4)),
        "roughness": uniform(rng, n, (0.1, 0.45)),
        **_draw_organelles(rng, core),
    }


def _draw_organelles(rng: np.random.Generator, core: Array) -> dict[str, Array]:
    """Nuclei (n, 4, 3: u, v, radius), two bowed axonemes and short median rods."""
    n = len(core)
    half = np.stack((core[:, Column.HALF_LENGTH], core[:, Column.HALF_WIDTH]), -1)
    counts = rng.integers(2, _N_NUCLEI + 1, n)
    at = np.array([[0.5, 0.38], [0.5, -0.36], [0.15, 0.4], [0.1, -0.4]])[None] + rng.normal(
        0, 0.09, (n, 4, 2)
    )
    side = rng.choice([-1.0, 1.0], (n, 1, 1))
    at[..., :1] *= side
    centre = core[:, None, [Column.CENTRE_U, Column.CENTRE_V]]
    radius = half[:, 1:] * rng.uniform(0.2, 0.3, (n, 4)) * (np.arange(4)[None] < counts[:, None])
    t = np.linspace(-0.8, 0.8, 9)[None]
    bow = rng.uniform(-0.3, 0.3, (n, 1))
    axonemes = np.stack(
        (t + 0 * bow, bow * (1 - t**2) + rng.normal(0, 0.06, (n, 1)) + 0.12 * np.sin(2.5 * t)), -1
    )
    rod = rng.normal(0, 0.12, (n, 2, 2)) - np.array([0.25, 0.0]) * side[:, 0, :, None]
    turn = rng.uniform(0.5, 2.2, (n, 2, 1))
    reach = 0.28 * np.concatenate((np.cos(turn), np.sin(turn)), -1)
    rods = np.concatenate((rod - reach, rod + reach), -1) * np.tile(half, 2)[:, None] + np.tile(centre, 2)
    return {
        "nuclei": np.concatenate((at * half[:, None] + centre, radius[..., None]), -1).astype(np.float32),
        "axoneme": (axonemes * half[:, None] + centre).astype(np.float32),
        "axoneme_um": np.repeat(uniform(rng, n, (0.2, 0.45))[:, None], 9, 1),
        "median_rods": rods.astype(np.float32),
        "median_um": uniform(rng, n, (0.25, 0.5)),
        "organelles_seen": uniform(rng, n, (0.3, 1.7)),
    }


def _paint_giardia(samples: Samples, p: Tensors) -> Material:
    shell = locate(samples, p["shell"])
    core = locate(samples, p["core"])
    chord = core.chord_um(rough=True)
    plasm = granular(samples, p, chord)
    seen = samples.of(p["organelles_seen"]) * (chord > 0)
    dark = torch.ones_like(chord)
    path = plasm.path_um
    for k in range(_N_NUCLEI):
        u = samples.u_um - samples.of(p["nuclei"][:, k, 0])
        v = samples.v_um - samples.of(p["nuclei"][:, k, 1])
        radius = samples.of(p["nuclei"][:, k, 2])
        rho = (u**2 + v**2).sqrt() / radius.clamp_min(0.05)
        live = seen * (radius > 0)
        ring, dot = torch.exp(-(((rho - 1) / 0.25) ** 2)), torch.exp(-((rho / 0.35) ** 2))
        dark = dark + live * (0.8 * ring + 0.9 * dot - 0.45 * (rho < 0.85))
        path = path + live * (0.05 * ring + 0.05 * dot - 0.03 * (rho < 0.85))
    rods = trace(samples, p["axoneme"], p["axoneme_um"]).chord_um
    rods = (rods + rods_um(samples, p["median_rods"], p["median_um"])) * seen
    density = plasm.density * (dark + 1.3 * rods).clamp_min(0.1)[:, None]
    inside = held(samples, p, shell, Material(density, path + 0.07 * rods))
    return confine(samples, p, add(paint_wall(samples, p, shell), inside))


def _oocyst(
    name: str,
    sizes: tuple[SizeRange, ...],
    wall: dict[str, Any],
    contents: dict[str, Any],
    weight: float = 1.0,
) -> Kind:
    shape = {"power": (2.0, 2.15), "egg": (0, 0.12), "wave": 0.006, "dented": 0.05}
    return egg_kind(name, "oocyst", sizes, shape=shape, wall=wall, contents=contents, weight=weight)


_SMALL_WALL = _CLEAR_WALL | {"outer_um": (0.35, 0.7), "inner_um": (0.1, 0.3)}

KINDS = (
    _oocyst("cystoisospora_large", ((32, 53, 26, 43), (34, 40, 28, 32)), _CLEAR_WALL, _SPORONT, 1.2),
    _oocyst("cystoisospora_small", ((17, 27, 15, 24),), _CLEAR_WALL, _SPORONT, 1.2),
    Kind("sporulated_oocyst", "oocyst", _draw_sporulated, shell_outline, _paint_sporulated, 0.7),
    _oocyst(
        "toxoplasma_type_oocyst",
        ((10, 13, 10, 13),),
        _SMALL_WALL,
        _SPORONT
        | {
            "stages": {MASS: 0.45, CELLS: 0.55},
            "fill": (0.66, 0.92),
            "cell_counts": (12, 20, 28, 32),
            "grain_um": (0.7, 1.4),
            "roughness": (0.5, 1.2),
            "strength": (0.01, 0.05),
            "rounded": 0.6,
        },
    ),
    _oocyst(
        "cyclospora_type_oocyst",
        ((7.5, 10, 7.5, 10),),
        _SMALL_WALL,
        _SPORONT
        | {
            "stages": {MASS: 0.4, CELLS: 0.6},
            "fill": (0.7, 0.92),
            "cell_counts": (2, 4, 8, 16),
            "grain_um": (0.6, 1.2),
            "strength": (0.008, 0.04),
        },
        0.5,
    ),
    _oocyst(
        "cryptosporidium_oocyst",
        ((4, 6.6, 4, 6),),
        _SMALL_WALL | {"outer_um": (0.2, 0.4)},
        _SPORONT
        | {"fill": (0.6, 0.9), "grain_um": (0.5, 1.0), "strength": (0.01, 0.06), "cell_counts": (4,)},
        0.4,
    ),
    _oocyst(
        "eimeria_oocyst",
        ((21, 26, 13, 17), (15, 35, 12, 24)),
        _CLEAR_WALL | {"outer_um": (0.8, 1.6), "strength": (0.002, 0.03), "palette": (GOLD, BROWN, GREY)},
        _SPORONT | {"fill": (0.62, 0.9), "cell_counts": (4,)},
        0.7,
    ),
    Kind(
        "sporocyst_pair",
        "oocyst",
        _draw_sporocyst_pair,
        _pair_outline,
        _paint_pair,
        1.0,
        bodies=_outline_bodies,
    ),
    Kind("giardia_cyst", "giardia_cyst", _draw_giardia, shell_outline, _paint_giardia),
)
