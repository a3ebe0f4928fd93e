"""Living look-alikes: free larvae, spores, yeasts, diatoms, muscle, fibres, mites and scales."""

from __future__ import annotations

from typing import Any

import numpy as np
import torch

from training.synthesize.kinds.bodies import (
    Column,
    draw_body,
    locate,
    outline_body,
    outline_hull,
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
    draw_tint,
    happens,
    log_uniform,
    uniform,
)
from training.synthesize.kinds.contents import granular
from training.synthesize.kinds.eggs import measures, shell_outline
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine, tinted
from training.synthesize.kinds.plants import bent_line, strand_outline
from training.synthesize.kinds.strands import lay_lengthwise, outline_strand, rods_um, trace
from training.synthesize.material import Material, Samples

_N_POINTS = 40


def _plasm(rng: np.random.Generator, n: int, strength: Range, **more: Any) -> dict[str, Array]:
    return {
        "core_tint": draw_tint(rng, n, more.get("palette", (GREY, OLIVE, GOLD)), strength),
        "core_index": uniform(rng, n, more.get("index", (0.008, 0.035))),
        "grain_um": uniform(rng, n, more.get("grain_um", (0.8, 2.0))),
        "roughness": uniform(rng, n, more.get("roughness", (0.2, 0.9))),
    }


def _larva(rng: np.random.Generator, points: Array, radius: Array) -> Parameters:
    """Parameters of larvae along these midlines, thickest before the middle and pointed at the tail."""
    n = len(points)
    t = np.linspace(0, 1, _N_POINTS)[None]
    tail = uniform(rng, n, (1.2, 4.0))[:, None]
    taper = np.clip(np.minimum(0.5 + 5 * t, tail * (1.02 - t)), 0.08, 1)
    points, length, width = lay_lengthwise(points, (radius[:, None] * taper).astype(np.float32))
    return {
        "points": points,
        "radius_um": (radius[:, None] * taper).astype(np.float32),
        "length_um": length,
        "width_um": width,
        "reach_um": 1.02 * np.maximum(length, width) / 2 + np.float32(0.5),
        **_plasm(rng, n, (0.0015, 0.05)),
        "skin_index": uniform(rng, n, (0.015, 0.06)),
        "gut": uniform(rng, n, (0.35, 0.75)),
        "gut_from": uniform(rng, n, (0.2, 0.5)),
        "stripes": happens(rng, n, 0.4) * uniform(rng, n, (0.05, 0.25)),
    }


def _draw_larva(rng: np.random.Generator, n: int) -> Parameters:
    """Stretched, bowed, S-shaped or bent back on itself."""
    length = log_uniform(rng, n, 150, 700)
    bend = happens(rng, n, 0.35)[:, None, None]
    gentle = bent_line(rng, length, _N_POINTS, (0.0, 3.5))
    folded = bent_line(rng, length, _N_POINTS, (3.0, 7.5))
    points = gentle + bend * (folded - gentle)
    return _larva(rng, points, length * log_uniform(rng, n, 0.014, 0.04))


def _draw_coiled_larva(rng: np.random.Generator, n: int) -> Parameters:
    """Wound up like a watch spring, a ring or a figure of six: as round as an egg."""
    t = np.linspace(0, 1, _N_POINTS)[None]
    size = log_uniform(rng, n, 14, 130)[:, None]
    turns = uniform(rng, n, (0.7, 2.8))[:, None]
    inner = np.clip(1 - turns * uniform(rng, n, (0.28, 0.48))[:, None], 0.05, 0.9)
    radius = size * (inner + (1 - inner) * t ** uniform(rng, n, (0.8, 1.3))[:, None])
    leaves_at = np.where(happens(rng, n, 0.45) > 0, uniform(rng, n, (0.6, 0.95)), 1.0)[:, None]
    turning = 1 - uniform(rng, n, (0.6, 1.1))[:, None] * np.clip((t - leaves_at) / 0.08, 0, 1)
    heading = rng.uniform(0, 6.3, (n, 1)) + np.cumsum(2 * np.pi * turns * turning, 1) / (_N_POINTS - 1)
    step = 2 * np.pi * turns * radius / (_N_POINTS - 1)
    points = np.cumsum(np.stack((step * np.cos(heading), step * np.sin(heading)), -1), 1)
    points[..., 1] *= uniform(rng, n, (0.75, 1.0))[:, None]
    gap = size[:, 0] * (1 - inner[:, 0]) / np.maximum(turns[:, 0], 1)
    thick = 0.5 * gap * uniform(rng, n, (0.45, 1.0))
    return _larva(rng, points.astype(np.float32), thick.clip(1.5, 20).astype(np.float32))


def _paint_larva(samples: Samples, p: Tensors) -> Material:
    strand = trace(samples, p["points"], p["radius_um"])
    skin = strand.chord_um - strand.core_um(0.86)
    gut = strand.core_um(0.7) * samples.of(p["gut"])
    behind = torch.sigmoid(20 * (strand.along - samples.of(p["gut_from"])))
    rings = 1 + samples.of(p["stripes"]) * (250 * strand.along).cos()
    plasm = granular(samples, p, gut * (0.35 + behind) * rings)
    density = plasm.density + tinted(samples, 0.6 * p["core_tint"], strand.chord_um + skin)
    path = plasm.path_um + samples.of(p["skin_index"]) * skin + 0.012 * strand.chord_um
    return confine(samples, p, Material(density, path))


def _draw_spore(rng: np.random.Generator, n: int) -> Parameters:
    """Spindles and clubs cut by cross walls, brown or clear, some with a stalk scar."""
    length = log_uniform(rng, n, 8, 80)
    shell = draw_body(
        rng,
        length,
        length * uniform(rng, n, (0.22, 0.85)),
        power=(1.7, 2.4),
        egg=(0, 0.4),
        barrel=(-0.3, 0.0),
        rough=(0.0, 0.02),
    )
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        **_plasm(rng, n, (0.01, 0.12), palette=(BROWN, GREY, GOLD, OLIVE), roughness=(0.05, 0.5)),
        "wall_um": uniform(rng, n, (0.5, 1.4)),
        "wall_tint": draw_tint(rng, n, (BROWN, GREY, GOLD), (0.01, 0.2)),
        "septa": rng.integers(0, 8, n).astype(np.float32),
        "septum_um": uniform(rng, n, (0.4, 0.9)),
    }


def _paint_spore(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    wall = place.shell_um(0.0, samples.of(p["wall_um"]))
    inside = place.chord_um(samples.of(p["wall_um"]))
    pitch = samples.of(p["length_um"] / (p["septa"] + 1))
    phase = (samples.u_um / pitch + 0.5 * samples.of(p["septa"] % 2 + 1)) % 1.0
    apart = (phase - 0.5).abs() * pitch
    septum = torch.exp(-((apart / samples.of(p["septum_um"])) ** 2)) * samples.of((p["septa"] > 0).float())
    plasm = granular(samples, p, inside)
    density = plasm.density + tinted(samples, p["wall_tint"], wall + 0.8 * septum * inside)
    path = plasm.path_um + 0.05 * wall + 0.04 * septum * inside.clamp_max(6.0)
    return confine(samples, p, Material(density, path))


_BUDS = ("bud_0", "bud_1", "bud_2")


def _draw_yeast(rng: np.random.Generator, n: int) -> Parameters:
    """A cell with up to two buds in a row; long ones as in Cyniclomyces."""
    length = log_uniform(rng, n, 3.5, 18)
    width = np.minimum(length * uniform(rng, n, (0.35, 0.95)), 8.0).astype(np.float32)
    at = np.zeros(n, np.float32)
    p: Parameters = {}
    for i, name in enumerate(_BUDS):
        share = np.ones(n, np.float32) if i == 0 else uniform(rng, n, (0.45, 0.95)) * happens(rng, n, 0.55)
        share = share * (p[_BUDS[i - 1]][:, Column.HALF_WIDTH] > 0.06) if i else share
        bud = draw_body(
            rng, np.maximum(length * share, 0.1), np.maximum(width * share, 0.1), power=(2.0, 2.2)
        )
        bud[:, Column.CENTRE_U] += at + (0.48 * length * share if i else 0)
        at = at + np.where(i == 0, 0.48 * length, 0.96 * length * share)
        p[name] = bud
    outline = _yeast_outline(p)
    middle = (outline.min(1) + outline.max(1)) / 2
    for bud in p.values():
        bud[:, [Column.CENTRE_U, Column.CENTRE_V]] -= middle
    tint = draw_tint(rng, n, (GREY, GOLD), (0.002, 0.06))
    return {
        **p,
        **measures(_yeast_outline(p)),
        "tint": tint,
        "index": uniform(rng, n, (0.02, 0.06)),
        "skin_index": uniform(rng, n, (0.03, 0.1)),
    }


def _yeast_outline(p: Parameters) -> Array:
    return outline_union(*(outline_body(p[name]) for name in _BUDS))


def _paint_yeast(samples: Samples, p: Tensors) -> Material:
    parts = []
    for name in _BUDS:
        place = locate(samples, p[name])
        skin, chord = place.shell_um(0.0, 0.3), place.chord_um()
        path = samples.of(p["index"]) * chord + samples.of(p["skin_index"]) * skin
        parts.append(Material(tinted(samples, p["tint"], chord + skin), path))
    return confine(samples, p, add(*parts))


def _draw_striped(
    rng: np.random.Generator, n: int, length_um: Range, aspect: Range, shape: dict[str, Any]
) -> Parameters:
    length = log_uniform(rng, n, *length_um)
    shell = draw_body(rng, length, length * uniform(rng, n, aspect), **shape)
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        "wall_um": uniform(rng, n, (0.4, 1.2)),
        "stripe_um": uniform(rng, n, (0.9, 3.0)),
        "fan": uniform(rng, n, (-0.6, 0.6)),
        "stripes": uniform(rng, n, (0.1, 0.5)),
        "index": uniform(rng, n, (0.02, 0.08)),
        "tint": draw_tint(rng, n, (GREY, GOLD, BROWN, GREEN), (0.002, 0.05)),
        "midrib": np.zeros(n, np.float32),
        "unsteady": np.zeros(n, np.float32),
    }


def _draw_diatom(rng: np.random.Generator, n: int) -> Parameters:
    p = _draw_striped(
        rng, n, (12, 90), (0.15, 0.5), {"power": (1.6, 2.3), "egg": (0, 0.05), "depth": (0.4, 0.8)}
    )
    return p | {"crosswise": np.ones(n, np.float32), "midrib": np.ones(n, np.float32)}


def _draw_scale(rng: np.random.Generator, n: int) -> Parameters:
    shape = {"power": (2.2, 3.5), "egg": (0.2, 0.5), "depth": (0.05, 0.12), "wave": 0.02}
    p = _draw_striped(rng, n, (40, 160), (0.25, 0.6), shape)
    return p | {"crosswise": np.zeros(n, np.float32)}


def _draw_muscle(rng: np.random.Generator, n: int) -> Parameters:
    """Undigested meat: blocks with fine cross stripes, yellow to brown, the corners worn round."""
    shape = {"power": (2.6, 9.0), "egg": (0, 0.12), "wave": 0.025, "rough": (0.0, 0.05), "dented": 0.2}
    p = _draw_striped(rng, n, (35, 220), (0.2, 0.75), shape | {"depth": (0.3, 0.8)})
    return p | {
        "crosswise": np.ones(n, np.float32),
        "unsteady": uniform(rng, n, (0.0, 1.5)),
        "stripes": uniform(rng, n, (0.0, 0.4)),
        "tint": draw_tint(rng, n, (GOLD, BROWN, RUST, OLIVE), (0.008, 0.09)),
    }


def _draw_bundle(rng: np.random.Generator, n: int) -> Parameters:
    """Torn bundles of fibres, streaked along, dark, with ragged ends."""
    shape = {"power": (2.2, 8.0), "egg": (0, 0.3), "wave": 0.05, "rough": (0.0, 0.12), "rough_count": (5, 24)}
    p = _draw_striped(rng, n, (50, 400), (0.15, 0.7), shape | {"depth": (0.2, 0.6), "dented": 0.3})
    return p | {
        "crosswise": np.zeros(n, np.float32),
        "unsteady": uniform(rng, n, (0.8, 4.0)),
        "stripe_um": uniform(rng, n, (2.5, 14.0)),
        "stripes": uniform(rng, n, (0.3, 0.95)),
        "tint": draw_tint(rng, n, (BROWN, GOLD, RUST, OLIVE), (0.01, 0.16)),
    }


def _paint_striped(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    crosswise = samples.of(p["crosswise"])
    x = place.along_um / samples.of(p["length_um"])
    across = place.across_um * (1 + samples.of(p["fan"]) * x)
    where = torch.where(crosswise > 0, place.along_um, across)
    unsteady = samples.of(p["unsteady"]) * samples.sample_texture(5, 7 * p["stripe_um"])
    bars = (2.5 * (2 * torch.pi * where / samples.of(p["stripe_um"]) + unsteady).cos()).tanh()
    midrib = torch.exp(-((place.across_um / 0.6) ** 2)) * samples.of(p["midrib"])
    wall, chord = place.shell_um(0.0, samples.of(p["wall_um"])), place.chord_um(rough=True).clamp_max(8.0)
    amount = wall + 0.6 * chord * (1 + samples.of(p["stripes"]) * bars) + midrib * chord
    path = samples.of(p["index"]) * (wall + 0.5 * chord * samples.of(p["stripes"]) * bars + midrib)
    return confine(samples, p, Material(tinted(samples, p["tint"], amount), path))


def _draw_red_cell(rng: np.random.Generator, n: int) -> Parameters:
    size = uniform(rng, n, (5.5, 9.0))
    shell = draw_body(
        rng,
        size,
        size * uniform(rng, n, (0.85, 1.0)),
        power=(2.0, 2.0),
        wave=0.01,
        rough=(0, 0.05),
        rough_count=(6, 14),
    )
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        "hollow": uniform(rng, n, (0.2, 0.8)),
        "index": uniform(rng, n, (0.01, 0.05)),
        "tint": draw_tint(rng, n, (GOLD, RUST, GREY), (0.01, 0.08)),
    }


def _paint_red_cell(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    chord = place.chord_um(rough=True) * 0.5
    chord = chord * (1 - samples.of(p["hollow"]) * torch.exp(-((place.rho() / 0.45) ** 2)))
    return confine(samples, p, Material(tinted(samples, p["tint"], chord), samples.of(p["index"]) * chord))


_N_LEGS, _N_BRISTLES = 8, 10


def _draw_mite(rng: np.random.Generator, n: int) -> Parameters:
    length = log_uniform(rng, n, 150, 450)
    body_um = length * uniform(rng, n, (0.62, 0.85))
    shell = draw_body(
        rng, body_um, body_um * uniform(rng, n, (0.55, 0.85)), power=(2.0, 2.5), egg=(0, 0.2), wave=0.02
    )
    legs, leg_um = _draw_legs(rng, shell, body_um)
    bristles = _draw_bristles(rng, shell)
    p = {"shell": shell, "legs": legs, "leg_um": leg_um, "bristles": bristles}
    _lay_mite(p)
    size = measures(_mite_outline(p))
    size["reach_um"] = np.maximum(size["reach_um"], np.abs(p["bristles"]).max((1, 2)) + 2).astype(np.float32)
    return {
        **p,
        **size,
        "bristle_um": uniform(rng, n, (0.4, 1.2)),
        **_plasm(rng, n, (0.003, 0.015), palette=(BROWN, GOLD, GREY), grain_um=(2.0, 9.0)),
        "leg_tint": draw_tint(rng, n, (BROWN, GOLD, GREY), (0.006, 0.03)),
    }


def _lay_mite(p: Parameters) -> None:
    """Turn mites in place by a quarter where their legs reach farther across than along; centre them."""
    span = np.ptp(_mite_outline(p), axis=1)
    turned = span[:, 1] > span[:, 0]
    for pairs in (p["shell"][:, : Column.CENTRE_V + 1], p["legs"], p["bristles"]):
        u, v = pairs[..., 0::2].copy(), pairs[..., 1::2].copy()
        mask = turned.reshape(-1, *(1,) * (u.ndim - 1))
        pairs[..., 0::2], pairs[..., 1::2] = np.where(mask, -v, u), np.where(mask, u, v)
    p["shell"][:, Column.TILT] += np.where(turned, np.pi / 2, 0)
    outline = _mite_outline(p)
    middle = (outline.min(1) + outline.max(1)) / 2
    p["shell"][:, [Column.CENTRE_U, Column.CENTRE_V]] -= middle
    p["legs"] -= middle[:, None, None]
    p["bristles"] -= np.tile(middle, 2)[:, None]


def _draw_legs(rng: np.random.Generator, shell: Array, body_um: Array) -> tuple[Array, Array]:
    """Midlines (n, 8, 4, 2) and radii (n, 4) of legs: two pairs forward, two back."""
    n = len(shell)
    at = np.array([0.45, 0.8, 2.0, 2.45]) + rng.normal(0, 0.08, (n, 4))
    at = np.concatenate((at, -at), 1)
    half = np.stack((shell[:, Column.HALF_LENGTH], shell[:, Column.HALF_WIDTH]), -1)[:, None]
    foot = 0.8 * half * np.stack((np.cos(at), np.sin(at)), -1)
    heading = at + rng.normal(0, 0.2, at.shape)
    step = body_um[:, None, None] * rng.uniform(0.08, 0.2, (n, 8, 1))
    points = [foot]
    for _ in range(3):
        points.append(points[-1] + step * np.stack((np.cos(heading), np.sin(heading)), -1))
        heading = heading - 0.35 * np.sign(at) * rng.uniform(0, 1, at.shape)
    radius = body_um[:, None] * uniform(rng, n, (0.025, 0.05))[:, None] * np.array([[1.2, 1.0, 0.7, 0.35]])
    return np.stack(points, 2).astype(np.float32), radius.astype(np.float32)


def _draw_bristles(rng: np.random.Generator, shell: Array) -> Array:
    n = len(shell)
    at = rng.uniform(0, 2 * np.pi, (n, _N_BRISTLES))
    ray = np.stack((np.cos(at), np.sin(at)), -1)
    half = np.stack((shell[:, Column.HALF_LENGTH], shell[:, Column.HALF_WIDTH]), -1)[:, None]
    foot = 0.9 * half * ray
    tip = foot + ray * half[..., 1:] * rng.uniform(0.2, 0.7, (n, _N_BRISTLES, 1))
    return np.concatenate((foot, tip), -1).astype(np.float32)


def _mite_outline(p: Parameters) -> Array:
    legs = [outline_strand(p["legs"][:, k], p["leg_um"], 24) for k in range(_N_LEGS)]
    return outline_hull(np.concatenate((outline_body(p["shell"]), *legs), 1))


def _paint_mite(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    chord = torch.zeros_like(samples.u_um)
    for k in range(_N_LEGS):
        leg = trace(samples, p["legs"][:, k], p["leg_um"])
        joints = 1 + 0.5 * torch.exp(-(((((3 * leg.along) % 1.0) - 0.5).abs() - 0.5) ** 2) / 0.004)
        chord = torch.maximum(chord, leg.chord_um * joints)
    outer = chord * (place.rho() > 0.96)
    bristles = rods_um(samples, p["bristles"], p["bristle_um"]) * (place.rho() > 0.96)
    skin = place.shell_um(0.0, 3.0)
    plasm = granular(samples, p, place.chord_um())
    density = plasm.density + tinted(samples, p["leg_tint"], 0.5 * skin + outer + 2 * bristles)
    return confine(samples, p, Material(density, plasm.path_um + 0.03 * skin + 0.03 * (outer + bristles)))


def _draw_limb(rng: np.random.Generator, n: int) -> Parameters:
    """A torn leg or a whole Demodex: jointed, tapering."""
    length = log_uniform(rng, n, 60, 300)
    radius = length * uniform(rng, n, (0.045, 0.13))
    t = np.linspace(0, 1, 16)[None]
    count = rng.integers(3, 8, n)[:, None]
    width = radius[:, None] * (1 - uniform(rng, n, (0.3, 0.85))[:, None] * t)
    width = (width * (1 - 0.18 * np.abs(np.cos(np.pi * count * t)))).astype(np.float32)
    points, long, wide = lay_lengthwise(bent_line(rng, length, 16, (0.0, 1.4)), width)
    return {
        "points": points,
        "radius_um": width,
        "length_um": long,
        "width_um": wide,
        "reach_um": 1.02 * np.maximum(long, wide) / 2 + np.float32(0.5),
        **_plasm(rng, n, (0.004, 0.025), palette=(BROWN, GOLD, GREY), grain_um=(1.5, 4.0)),
        "leg_tint": draw_tint(rng, n, (BROWN, GOLD, GREY), (0.01, 0.05)),
        "joints": count[:, 0].astype(np.float32),
        "rings": uniform(rng, n, (0.0, 0.4)),
    }


def _paint_limb(samples: Samples, p: Tensors) -> Material:
    limb = trace(samples, p["points"], p["radius_um"])
    turn = samples.of(p["joints"]) * limb.along
    joint = torch.exp(-(((turn % 1.0) - 0.5) ** 2) / 0.003)
    skin = limb.chord_um - limb.core_um(0.85)
    rings = 1 + samples.of(p["rings"]) * (60 * limb.along).cos()
    plasm = granular(samples, p, limb.core_um(0.85))
    wall = (skin + 0.4 * joint * limb.chord_um) * rings
    return confine(
        samples,
        p,
        Material(plasm.density + tinted(samples, p["leg_tint"], wall), plasm.path_um + 0.03 * wall),
    )


KINDS = (
    Kind("larva", "other_artefact", _draw_larva, strand_outline, _paint_larva, 3.0),
    Kind("coiled_larva", "other_artefact", _draw_coiled_larva, strand_outline, _paint_larva, 2.5),
    Kind("fungal_spore", "other_artefact", _draw_spore, shell_outline, _paint_spore, 1.2),
    Kind("yeast", "other_artefact", _draw_yeast, _yeast_outline, _paint_yeast),
    Kind("diatom", "other_artefact", _draw_diatom, shell_outline, _paint_striped, 0.6),
    Kind("insect_scale", "other_artefact", _draw_scale, shell_outline, _paint_striped, 0.4),
    Kind("muscle_fibre", "other_artefact", _draw_muscle, shell_outline, _paint_striped, 1.0),
    Kind("fibre_bundle", "plant_debris", _draw_bundle, shell_outline, _paint_striped, 1.2),
    Kind("red_cell", "other_artefact", _draw_red_cell, shell_outline, _paint_red_cell, 0.5),
    Kind("mite", "mite", _draw_mite, _mite_outline, _paint_mite),
    Kind("mite_limb", "mite", _draw_limb, strand_outline, _paint_limb, 0.7),
)
