"""Granular debris: clouds of fine refractile grains, haze and film, drawn for every pixel at once.

Grains are the cells of a jittered lattice (Worley noise). Each carries its own size, darkness and the
cloud density at which it appears, so that one picture-wide evaluation draws any number of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cache
from itertools import product

import numpy as np
import torch
from torch import Tensor

from training.synthesize.canvas import Canvas
from training.synthesize.material import sample_plane
from training.synthesize.noise import TABLE_SIZE, TEXTURE_SIZE, fractal, make_table, make_texture
from training.synthesize.transfer import send_arrays

LAYERS = 3
_COARSE_PX = 4
_GRAIN_OCTAVES = (1.0, 0.45)
_WRAP = TABLE_SIZE - 1
_PARTS = 16
"""Of a cell of the lattice on each side; which grain covers what is known to a part."""


@dataclass(frozen=True)
class Debris:
    """Three layers of grains, one for each depth slab, with the haze between them.

    All fields hold one value a layer; `tint` holds red, green and blue of each layer, flat.

    Attributes
    ----------
    cover : tuple of float
        Share of the picture inside a cloud, 0 to 1; 0 draws nothing.
    cloud_um : tuple of float
        Width of the clouds.
    edge : tuple of float
        Softness of a cloud's edge in deviations of the cloud noise.
    grain_um : tuple of float
        Spacing of the grains.
    grain_path_um : tuple of float
        Optical path through a grain's middle.
    grain_density : tuple of float
        Optical density of the darkest grains.
    haze_density : tuple of float
        Optical density of the matrix between the grains.
    tint : tuple of float
        Relative density in red, green and blue.
    film_path_um : tuple of float
        Path of a smooth film over the whole picture.
    shift : tuple of float
        Place in the noise.
    """

    cover: tuple[float, ...] = (0.0,) * LAYERS
    cloud_um: tuple[float, ...] = (100.0,) * LAYERS
    edge: tuple[float, ...] = (0.5,) * LAYERS
    grain_um: tuple[float, ...] = (3.0,) * LAYERS
    grain_path_um: tuple[float, ...] = (0.0,) * LAYERS
    grain_density: tuple[float, ...] = (0.0,) * LAYERS
    haze_density: tuple[float, ...] = (0.0,) * LAYERS
    tint: tuple[float, ...] = (1.0, 1.0, 1.0) * LAYERS
    film_path_um: tuple[float, ...] = (0.0,) * LAYERS
    shift: tuple[float, ...] = (0.0,) * LAYERS


@dataclass(frozen=True)
class _Grains:
    """The grain at each pixel: how deep inside it (0 at the rim, 1 in the middle) and its own numbers.

    `middle_px` (B, 2, H, W) is x and y of the grain's middle in canvas pixels.
    """

    depth: Tensor
    appears_at: Tensor
    darkness: Tensor
    height: Tensor
    middle_px: Tensor


def add_debris(canvas: Canvas, debris: Sequence[Debris]) -> None:
    """Add each tile's debris to the canvas."""
    rows = {
        each.name: np.array([getattr(one, each.name) for one in debris], np.float32)
        for each in fields(Debris)
    }
    drawn = (rows["cover"] > 0) | (rows["film_path_um"] != 0)
    for layer in range(LAYERS):
        tiles = np.flatnonzero(drawn[:, layer])
        if len(tiles):
            chosen, *values = send_arrays(
                [tiles, *(row[tiles] for row in rows.values())], canvas.planes.device
            )
            _add_layer(canvas, dict(zip(rows, values, strict=True)), layer, chosen)


def _add_layer(canvas: Canvas, debris: dict[str, Tensor], layer: int, tiles: Tensor) -> None:
    texture = make_texture(canvas.planes.device)
    of = {name: rows[:, layer, None, None] for name, rows in debris.items()}
    um_per_px = canvas.um_per_px[tiles, None, None]
    x, y = _places(canvas, _COARSE_PX)
    coarse_um = (x * um_per_px + of["shift"], y * um_per_px + of["shift"])
    cloud = _cloud(texture, coarse_um, of)
    patchy = (0.7 + 0.5 * _fractal_um(texture, coarse_um, of["cloud_um"] / 5, 3)).clamp(min=0)
    film = of["film_path_um"] * _fractal_um(texture, coarse_um, of["cloud_um"] * 3, 3)
    smooth = _enlarge(torch.stack([of["haze_density"] * cloud**2 * patchy, film], dim=1))
    density, path = smooth.unbind(1)
    for finer in _GRAIN_OCTAVES:
        sized = of | {"grain_um": of["grain_um"] * finer}
        push = _enlarge(_push(texture, coarse_um, sized["grain_um"]))
        grains = _nearest_grain(_places(canvas, 1), push, sized, um_per_px)
        shown = _look_up(cloud, grains).sub_(grains.appears_at).div_(0.02).sigmoid_()
        dome = grains.depth.clamp(min=0).sqrt_().mul_(grains.height).mul_(shown)
        path.add_(dome.mul_(finer * of["grain_path_um"]))
        dark = shown.mul_(grains.darkness).mul_(grains.depth > 0)
        density.add_(dark.mul_(of["grain_density"]))
    tint = debris["tint"][:, 3 * layer : 3 * layer + 3, None, None]
    for plane, colour in zip(canvas.planes, tint.unbind(1), strict=False):
        plane[:, layer].index_add_(0, tiles, density * colour)
    canvas.planes[3, :, layer].index_add_(0, tiles, path)


def _places(canvas: Canvas, step_px: int) -> tuple[Tensor, Tensor]:
    """x (1, 1, W') and y (1, H', 1) of every `step_px`-th place of the canvas, in canvas pixels."""
    height, width = canvas.planes.shape[-2:]
    device = canvas.planes.device
    x = (torch.arange(width // step_px, device=device) + 0.5) * step_px
    y = (torch.arange(height // step_px, device=device) + 0.5) * step_px
    return x[None, None, :], y[None, :, None]


def _enlarge(planes: Tensor) -> Tensor:
    """Coarse planes (B, C, H', W') at the canvas' full size."""
    return torch.nn.functional.interpolate(
        planes, scale_factor=_COARSE_PX, mode="bilinear", align_corners=False
    )


def _fractal_um(texture: Tensor, place_um: tuple[Tensor, ...], cell_um: Tensor, octaves: int) -> Tensor:
    x, y = (axis / cell_um for axis in place_um)
    return fractal(texture, x + 0 * y, y + 0 * x, octaves, roughness=0.65)


def _cloud(texture: Tensor, place_um: tuple[Tensor, ...], of: dict[str, Tensor]) -> Tensor:
    """How far inside a cloud each place is, 0 to 1."""
    noise = _fractal_um(texture, place_um, of["cloud_um"], 5)
    threshold = torch.special.ndtri((1 - of["cover"]).clamp(0.001, 0.999))
    return ((noise - threshold) / of["edge"] + 0.3).clamp(0, 1)


def _push(texture: Tensor, place_um: tuple[Tensor, ...], grain_um: Tensor) -> Tensor:
    """Shift (B, 2, H', W') in grains, so that grains are no perfect discs."""
    x, y = (axis / grain_um * (TEXTURE_SIZE / 64) for axis in place_um)
    x, y = x + 0 * y, y + 0 * x
    shifts = [sample_plane(texture[6], x, y), sample_plane(texture[6], x + 101.3, y + 57.7)]
    return 0.22 * torch.stack(shifts, dim=1)


def _look_up(cloud: Tensor, grains: _Grains) -> Tensor:
    """The coarse plane `cloud` (B, H', W') at the middle of each pixel's grain."""
    height, width = cloud.shape[-2:]
    column, row = (grains.middle_px / _COARSE_PX).to(torch.int32).unbind(1)
    place = row.clamp_(0, height - 1).mul_(width).add_(column.clamp_(0, width - 1))
    first = torch.arange(0, cloud.numel(), height * width, dtype=torch.int32, device=cloud.device)
    return _pick(cloud.reshape(-1), place.add_(first[:, None, None]))


def _pick(values: Tensor, places: Tensor) -> Tensor:
    """The values (N,) at int32 `places` of any shape."""
    return values.index_select(0, places.reshape(-1)).view(places.shape)


def _nearest_grain(
    place_px: tuple[Tensor, Tensor], push: Tensor, of: dict[str, Tensor], um_per_px: Tensor
) -> _Grains:
    """The grain that each pixel lies deepest in."""
    device = push.device
    px_per_grain = of["grain_um"] / um_per_px
    origin = of["shift"] / of["grain_um"]
    push[:, 0] += place_px[0] / px_per_grain + origin
    push[:, 1] += place_px[1] / px_per_grain + origin
    part = (push * _PARTS).floor_().to(torch.int32)
    period = TABLE_SIZE * _PARTS
    winner = _pick(_winners(device), (part[:, 1] & period - 1).mul_(period).add_(part[:, 0] & period - 1))
    cell = part.sub_(_PARTS // 2).div_(_PARTS, rounding_mode="floor")
    cell[:, 0] += winner & 1
    cell[:, 1] += winner >> 1
    number = (cell[:, 1] & _WRAP).mul_(TABLE_SIZE).add_(cell[:, 0] & _WRAP)
    grain = _make_grains(device)
    middle = torch.stack([_pick(grain.x, number), _pick(grain.y, number)], dim=1).add_(cell)
    squared = (push - middle).square_().sum(dim=1)
    depth = squared.mul_(_pick(grain.inverse_radius_squared, number)).neg_().add_(1)
    middle.sub_(origin[:, None]).mul_(px_per_grain[:, None])
    appears_at, darkness, height = (
        _pick(row, number) for row in (grain.appears_at, grain.darkness, grain.height)
    )
    return _Grains(depth, appears_at, darkness, height, middle)


@dataclass(frozen=True)
class _Lattice:
    """What each of the lattice's grains is like, (65536,) each; `x` and `y` from the corner of its cell."""

    x: Tensor
    y: Tensor
    inverse_radius_squared: Tensor
    appears_at: Tensor
    darkness: Tensor
    height: Tensor


@cache
def _make_grains(device: torch.device) -> _Lattice:
    x, y, size, late, strength = make_table(device)
    radius = 0.18 + 0.32 * size**2
    return _Lattice(x, y, radius**-2, 0.05 + 0.95 * late, strength**4, 0.3 + 1.4 * strength**2)


@cache
def _winners(device: torch.device) -> Tensor:
    """Which of four cells holds the grain that each part of a cell lies deepest in, flat, uint8.

    A point lies anywhere in its cell and no grain reaches further than half a cell, so the four cells whose
    middles are nearest hold every grain that can cover it: bit 0 tells left from right, bit 1 upper from
    lower.
    """
    grain, half = _make_grains(device), _PARTS // 2
    # The parts between the middles of four neighbouring cells, from the upper left corner of these.
    place = (torch.arange(_PARTS, device=device) + (half + 0.5)) / _PARTS
    column, strips = torch.arange(TABLE_SIZE, device=device), []
    for row in range(TABLE_SIZE):
        winner = torch.zeros(_PARTS, TABLE_SIZE, _PARTS, dtype=torch.uint8, device=device)
        deepest = torch.full(winner.shape, -torch.inf, device=device)
        for down, right in product((0, 1), (0, 1)):
            number = (row + down & _WRAP) * TABLE_SIZE + (column + right & _WRAP)
            aside = (place - right - grain.x[number, None]).square()
            below = (place[:, None] - down - grain.y[number]).square()[:, :, None]
            depth = 1 - (aside + below) * grain.inverse_radius_squared[number, None]
            winner.masked_fill_(depth > deepest, 2 * down + right)
            deepest = torch.maximum(depth, deepest)
        strips.append(winner.view(_PARTS, -1))
    return torch.cat(strips).roll((half, half), (0, 1)).reshape(-1)
