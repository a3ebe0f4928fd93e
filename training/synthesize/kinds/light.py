"""Putting materials together: tinting, adding, drawing only some of the objects."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import torch
from torch import Tensor

from training.synthesize.material import Material, Samples

Tensors = dict[str, Tensor]
_GRAIN_CHANNEL = 6
_CHUNK_ON_CPU, _CHUNK_ON_GPU = 2**13, 2**18


def tinted(samples: Samples, tint: Tensor, way_um: Tensor) -> Tensor:
    """Density (S, 3) of `way_um` (S,) through matter of `tint` (n, 3) per µm."""
    return samples.of(tint) * way_um[:, None]


def grain(samples: Samples, cell_um: Tensor | float, channel: int = _GRAIN_CHANNEL) -> Tensor:
    """Crisp irregular grains (S,) about `cell_um` apart, between -1 and 1."""
    coarse = samples.sample_texture(channel, cell_um)
    return (0.9 * coarse + 0.9 * samples.sample_texture(channel, 0.55 * cell_um)).tanh()


def add(*parts: Material) -> Material:
    """All parts at once: densities and paths add up along the way of the light."""
    density, path = parts[0].density, parts[0].path_um
    for part in parts[1:]:
        density, path = density + part.density, path + part.path_um
    return Material(density, path)


def keep(samples: Samples, which: Tensor) -> tuple[Tensor, Samples]:
    """Indices of the samples of those objects where `which` (n,) is true, and these samples."""
    kept = samples.of(which).nonzero().squeeze(1)
    u, v, owner = samples.u_um[kept], samples.v_um[kept], samples.owner[kept]
    return kept, replace(samples, u_um=u, v_um=v, owner=owner)


def draw_some(
    samples: Samples, parameters: Tensors, which: Tensor, draw: Callable[[Samples, Tensors], Material]
) -> Material:
    """`draw` for the objects where `which` (n,) is true, clear fluid elsewhere."""
    density = samples.u_um.new_zeros(len(samples.u_um), 3)
    path = torch.zeros_like(samples.u_um)
    kept, part = keep(samples, which)
    if len(kept) == 0:
        return Material(density, path)
    drawn = draw(part, parameters)
    return Material(density.index_copy(0, kept, drawn.density), path.index_copy(0, kept, drawn.path_um))


def in_chunks(samples: Samples, work: Callable[[Samples], tuple[Tensor, ...]]) -> tuple[Tensor, ...]:
    """`work` on some samples at a time, so that tensors of shape (samples, parts) stay small."""
    size = _CHUNK_ON_CPU if samples.u_um.device.type == "cpu" else _CHUNK_ON_GPU
    pieces = zip(*(each.split(size) for each in (samples.u_um, samples.v_um, samples.owner)), strict=True)
    done = [work(replace(samples, u_um=u, v_um=v, owner=owner)) for u, v, owner in pieces]
    return tuple(torch.cat(each) for each in zip(*done, strict=True))


def confine(samples: Samples, parameters: Tensors, material: Material) -> Material:
    """The material with no density below 0 and nothing beyond the reach of its object."""
    reach = samples.of(parameters["reach_um"])
    inside = (samples.u_um.abs() <= reach) & (samples.v_um.abs() <= reach)
    return Material(material.density.clamp_min(0) * inside[:, None], material.path_um * inside)
