"""Look-alikes without life: air bubbles, fat droplets, crystals, dirt."""

from __future__ import annotations

import numpy as np
import torch

from training.synthesize.kinds.bodies import N_OUTLINE, draw_body, locate, outline_hull
from training.synthesize.kinds.chance import (
    BROWN,
    GOLD,
    GREEN,
    GREY,
    OLIVE,
    RUST,
    Array,
    draw_tint,
    happens,
    log_uniform,
    uniform,
)
from training.synthesize.kinds.contents import granular
from training.synthesize.kinds.eggs import measures, shell_outline
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, confine, grain, tinted
from training.synthesize.kinds.strands import rods_um
from training.synthesize.material import Material, Samples


def _draw_bubble(rng: np.random.Generator, n: int) -> Parameters:
    size = log_uniform(rng, n, 4, 260)
    shell = draw_body(rng, size, size, power=(2.0, 2.0), egg=(0, 0), wave=0.0, depth=(0.4, 1.0))
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        "rim_from": uniform(rng, n, (0.35, 0.9)),
        "rim_density": uniform(rng, n, (0.8, 3.5)),
        "glint": happens(rng, n, 0.5) * uniform(rng, n, (0.3, 0.9)),
        "index": uniform(rng, n, (-0.36, -0.05)),
    }


def _paint_bubble(samples: Samples, p: Tensors) -> Material:
    """Air: light that meets the steep side is thrown out of the objective, so the rim is dark.

    From fluid of index 1.36 into air light is totally reflected where it meets the ball beyond 1 / 1.36 of
    its radius (Snell's law); an objective of small aperture loses it well before.
    """
    place = locate(samples, p["shell"])
    rho = place.rho()
    start = samples.of(p["rim_from"])
    rise = ((rho - start) / (0.97 - start).clamp_min(0.03)).clamp(0, 1)
    rise = rise * rise * (3 - 2 * rise)
    glint = torch.exp(-(((rho - 0.93) / 0.025) ** 2)) * samples.of(p["glint"])
    dark = samples.of(p["rim_density"]) * rise * (1 - glint) * (rho < 1)
    path = samples.of(p["index"]) * place.chord_um().clamp_max(60.0)
    return confine(samples, p, Material(dark[:, None].expand(-1, 3), path))


def _draw_droplet(rng: np.random.Generator, n: int) -> Parameters:
    size = log_uniform(rng, n, 2.5, 90)
    shell = draw_body(rng, size, size, power=(2.0, 2.0), egg=(0, 0), wave=0.002, depth=(0.6, 1.0))
    return {
        "shell": shell,
        **measures(shell_outline({"shell": shell})),
        "rim_density": uniform(rng, n, (0.1, 1.6)),
        "tint": draw_tint(rng, n, (GOLD, GREY, RUST), (0.0003, 0.012)),
        "index": uniform(rng, n, (0.03, 0.11)),
        "rings": happens(rng, n, 0.3) * uniform(rng, n, (0.05, 0.3)),
        "ring_count": uniform(rng, n, (1.5, 5.0)),
    }


def _paint_droplet(samples: Samples, p: Tensors) -> Material:
    place = locate(samples, p["shell"])
    rho, chord = place.rho(), place.chord_um()
    rim = ((rho - 0.72) / 0.28).clamp(0, 1) ** 2 * (rho < 1)
    rings = samples.of(p["rings"]) * (2 * torch.pi * samples.of(p["ring_count"]) * rho).cos()
    dark = samples.of(p["rim_density"]) * rim
    density = dark[:, None] + tinted(samples, p["tint"], chord * (1 + rings))
    return confine(samples, p, Material(density, samples.of(p["index"]) * chord * (1 + 0.3 * rings)))


_N_FACES = 8


def _draw_crystal(rng: np.random.Generator, n: int) -> Parameters:
    """Flat polygons with bevelled edges: plates, rhombs, coffin lids, prisms."""
    sides = rng.choice([3, 4, 4, 5, 6, 6, 8], n)[:, None]
    index = np.minimum(np.arange(_N_FACES)[None], sides - 1)
    jitter = np.take_along_axis(rng.uniform(-0.22, 0.22, (n, _N_FACES)), index, 1)
    angle = (index + jitter) * 2 * np.pi / sides + rng.uniform(0, 2 * np.pi, (n, 1))
    size, stretch = log_uniform(rng, n, 6, 60)[:, None], log_uniform(rng, n, 1.0, 3.0)[:, None]
    x, y = size * stretch * np.cos(angle), size * np.sin(angle)
    x = x + y * uniform(rng, n, (-0.6, 0.6))[:, None]
    p = {
        "corners": _lengthwise(np.stack((x, y), -1)),
        "bevel": uniform(rng, n, (0.3, 2.0)),
        "flat_um": uniform(rng, n, (0.8, 7.0)),
        "index": uniform(rng, n, (0.05, 0.16)),
        "tint": draw_tint(rng, n, (GREY, GOLD, BROWN), (0.0005, 0.02)),
        "edge": uniform(rng, n, (0.0, 0.9)),
        "cracks": happens(rng, n, 0.4) * uniform(rng, n, (0.05, 0.3)),
    }
    return p | measures(_crystal_outline(p))


def _lengthwise(corners: np.ndarray) -> Array:
    """Corners turned by a quarter where they span more across than along, and centred."""
    span = np.ptp(corners, axis=1)
    quarter = np.stack((-corners[..., 1], corners[..., 0]), -1)
    corners = np.where((span[:, 1] > span[:, 0])[:, None, None], quarter, corners)
    middle = (corners.min(1) + corners.max(1)) / 2
    return (corners - middle[:, None]).astype(np.float32)


def _crystal_outline(p: Parameters) -> Array:
    start, share = p["corners"], np.linspace(0, 1, N_OUTLINE // _N_FACES, endpoint=False)[:, None]
    step = np.roll(start, -1, 1) - start
    return (start[:, :, None] + share * step[:, :, None]).reshape(-1, N_OUTLINE, 2).astype(np.float32)


def _paint_crystal(samples: Samples, p: Tensors) -> Material:
    outside = torch.full_like(samples.u_um, -1e6)
    for k in range(_N_FACES):
        start, end = p["corners"][:, k], p["corners"][:, (k + 1) % _N_FACES]
        length = (end - start).norm(dim=1)
        normal = torch.stack((end[:, 1] - start[:, 1], start[:, 0] - end[:, 0]), 1)
        normal = normal / length.clamp_min(1e-3)[:, None]
        far = (normal * start).sum(1) + 1e6 * (length < 1e-3)
        beyond = samples.u_um * samples.of(normal[:, 0]) + samples.v_um * samples.of(normal[:, 1])
        outside = torch.maximum(outside, beyond - samples.of(far))
    height = (-outside * samples.of(p["bevel"])).clamp_min(0)
    thick = torch.minimum(height, samples.of(p["flat_um"]))
    edge = torch.exp(-((outside + 0.4).abs() / 0.5)) * (outside < 0) * samples.of(p["edge"])
    cracks = 1 + samples.of(p["cracks"]) * grain(samples, 6.0, 5)
    density = tinted(samples, p["tint"], 4 * thick * cracks) + edge[:, None]
    return confine(samples, p, Material(density, samples.of(p["index"]) * thick * cracks))


_N_NEEDLES = 10


def _draw_needles(rng: np.random.Generator, n: int) -> Parameters:
    """One needle, or a sheaf of needles crossing near their middle."""
    counts = rng.choice([1, 1, 2, 4, _N_NEEDLES], n)
    live = np.arange(_N_NEEDLES)[None] < counts[:, None]
    size = log_uniform(rng, n, 12, 90)[:, None]
    spread = rng.uniform(0.1, 1.5, (n, 1))
    angle = np.where(live, rng.uniform(-1, 1, (n, _N_NEEDLES)) * spread, 0)
    angle[:, 0] = 0
    half = size * np.where(live, rng.uniform(0.5, 1.0, (n, _N_NEEDLES)), 1)
    half[:, 0] = size[:, 0]
    middle = rng.normal(0, 0.08, (n, _N_NEEDLES, 2)) * size[..., None] * live[..., None]
    middle[:, 0] = 0
    reach = half[..., None] * np.stack((np.cos(angle), np.sin(angle)), -1)
    reach[~live] = 0.02
    p = {
        "needles": np.concatenate((middle - reach, middle + reach), -1).astype(np.float32),
        "needle_um": (log_uniform(rng, n, 0.5, 3.0)[:, None] * live).astype(np.float32),
        "index": uniform(rng, n, (0.04, 0.14)),
        "tint": draw_tint(rng, n, (GREY, GOLD), (0.001, 0.08)),
    }
    outline = _needles_outline(p)
    p["needles"] -= np.tile((outline.min(1) + outline.max(1)) / 2, 2)[:, None]
    return p | _size_lengthwise(p)


def _size_lengthwise(p: Parameters) -> dict[str, Array]:
    size = measures(_needles_outline(p))
    turned = size["width_um"] > size["length_um"]
    p["needles"][turned] = p["needles"][turned][..., [1, 0, 3, 2]]
    return measures(_needles_outline(p))


def _needles_outline(p: Parameters) -> Array:
    """Convex hull of all needles."""
    angle = np.arange(N_OUTLINE) * (2 * np.pi / N_OUTLINE)
    ray = np.stack((np.cos(angle), np.sin(angle)), -1)
    hull = outline_hull(p["needles"].reshape(-1, 2 * _N_NEEDLES, 2))
    return hull + p["needle_um"][:, :1, None] * ray.astype(np.float32)


def _paint_needles(samples: Samples, p: Tensors) -> Material:
    chord = rods_um(samples, p["needles"], p["needle_um"])
    return confine(samples, p, Material(tinted(samples, p["tint"], chord), samples.of(p["index"]) * chord))


def _draw_clump(rng: np.random.Generator, n: int) -> Parameters:
    """Round dense dirt without a shell."""
    length = log_uniform(rng, n, 8, 120)
    core = draw_body(
        rng,
        length,
        length * uniform(rng, n, (0.6, 1.0)),
        power=(1.8, 2.6),
        wave=0.05,
        rough=(0.0, 0.16),
        rough_count=(6, 24),
        dented=0.4,
        depth=(0.3, 1.0),
    )
    return {
        "shell": core,
        **measures(shell_outline({"shell": core})),
        "core_tint": draw_tint(rng, n, (BROWN, GREY, OLIVE, GREEN, RUST, GOLD), (0.006, 0.06)),
        "core_index": uniform(rng, n, (-0.005, 0.03)),
        "grain_um": log_uniform(rng, n, 0.8, 5.0),
        "roughness": uniform(rng, n, (0.3, 1.3)),
    }


def _paint_clump(samples: Samples, p: Tensors) -> Material:
    return confine(samples, p, granular(samples, p, locate(samples, p["shell"]).chord_um(rough=True)))


KINDS = (
    Kind("air_bubble", "air_bubble", _draw_bubble, shell_outline, _paint_bubble),
    Kind("fat_droplet", "fat_or_crystal", _draw_droplet, shell_outline, _paint_droplet, 1.2),
    Kind("crystal", "fat_or_crystal", _draw_crystal, _crystal_outline, _paint_crystal),
    Kind("needle_crystals", "fat_or_crystal", _draw_needles, _needles_outline, _paint_needles, 0.6),
    Kind("dirt_clump", "other_artefact", _draw_clump, shell_outline, _paint_clump, 1.5),
)
