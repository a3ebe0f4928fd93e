"""Shells: one or two layers and the fluid they hold, plain, pitted, striped, wavy or with a bumpy coat."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch

from training.synthesize.kinds.bodies import Place
from training.synthesize.kinds.chance import Array, Range, draw_tint, happens, uniform
from training.synthesize.kinds.light import Tensors, grain, tinted
from training.synthesize.material import Material, Samples


def draw_wall(
    rng: np.random.Generator,
    n: int,
    *,
    outer_um: Range,
    inner_um: Range = (0.3, 0.8),
    index: Range = (0.03, 0.08),
    inner_index: Range = (0.01, 0.06),
    lumen_index: Range = (-0.004, 0.012),
    palette: Sequence[tuple[float, float, float]],
    strength: Range,
    pits: Range = (0.0, 0.0),
    pit_um: Range = (2.0, 4.0),
    stripes: Range = (0.0, 0.0),
    stripe_um: Range = (1.2, 2.0),
    waves_um: Range = (0.0, 0.0),
    coat_um: Range = (0.0, 0.0),
    coat_strength: Range = (0.03, 0.08),
) -> dict[str, Array]:
    """Parameters of a wall for n objects: layer thickness in µm, index over that of the fluid, tint per µm.

    Indices: chitin about 1.5, sclerotin and keratin 1.53 to 1.56 (from memory), watered in living shells;
    zinc sulfate at 1.18 g/mL about 1.37.
    """
    outer = uniform(rng, n, outer_um)
    coat = uniform(rng, n, coat_um)
    return {
        "coat_um": coat,
        "wall_um": coat + outer,
        "lining_um": coat + outer + uniform(rng, n, inner_um),
        "wall_index": uniform(rng, n, index),
        "lining_index": uniform(rng, n, inner_index) * rng.choice([-0.6, 1.0, 1.0], n).astype(np.float32),
        "lumen_index": uniform(rng, n, lumen_index),
        "wall_tint": draw_tint(rng, n, palette, strength),
        "coat_tint": draw_tint(rng, n, palette, coat_strength),
        "pits": uniform(rng, n, pits),
        "pit_um": uniform(rng, n, pit_um),
        "stripes": uniform(rng, n, stripes),
        "stripe_um": uniform(rng, n, stripe_um),
        "waves_um": uniform(rng, n, waves_um),
        "waves_count": rng.integers(5, 13, n).astype(np.float32),
        "bleached": happens(rng, n, 0.12),
    }


def paint_wall(samples: Samples, p: Tensors, place: Place) -> Material:
    """The wall of the body that `place` was located in."""
    wall, lining = samples.of(p["wall_um"]), samples.of(p["lining_um"])
    coat_inset = samples.of(p["coat_um"])
    lining = lining + samples.of(p["waves_um"]) * (
        1 + (samples.of(p["waves_count"]) * place.angle + samples.of(p["wall_um"])).cos()
    )
    whole, under_coat = place.chord_um(rough=True), place.chord_um(coat_inset)
    under_wall, lumen = place.chord_um(wall), place.chord_um(lining)
    coat = (whole - under_coat).clamp_min(0) * (1 + 0.35 * grain(samples, p["pit_um"], 5))
    relief = 1 + samples.of(p["pits"]) * grain(samples, p["pit_um"], 5) + _stripes(samples, p, place)
    layer = (under_coat - under_wall).clamp_min(0) * relief
    thin = (under_wall - lumen).clamp_min(0)
    fade = 1 - 0.6 * p["bleached"]
    density = tinted(samples, p["wall_tint"] * fade[:, None], layer + 0.6 * thin)
    density = density + tinted(samples, p["coat_tint"], coat)
    path = (
        samples.of(p["wall_index"]) * (layer + 0.8 * coat)
        + samples.of(p["lining_index"]) * thin
        + samples.of(p["lumen_index"]) * lumen
    )
    return Material(density, path)


def _stripes(samples: Samples, p: Tensors, place: Place) -> torch.Tensor:
    """Rods standing in the wall: stripes where it is seen from the side, dots where seen from above."""
    rho = place.rho()
    radius = (place.along_um**2 + place.across_um**2).sqrt()
    count = (2 * torch.pi * samples.of(p["wall_um"] + 15.0) / samples.of(p["stripe_um"])).round()
    seen_aside = (1.5 * (place.angle * count).cos()).tanh()
    seen_above = 0.5 * grain(samples, p["stripe_um"])
    aside = ((rho - 0.6) / 0.2).clamp(0, 1) * (radius > 0)
    return samples.of(p["stripes"]) * torch.lerp(seen_above, seen_aside, aside)
