"""Granular debris: clouds of fine refractile grains, haze and film, drawn for every pixel at once.

Grains are the cells of a jittered lattice (Worley noise). Each carries its own size, darkness and the
cloud density at which it appears, so that one picture-wide evaluation draws any number of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from training.synthesize.canvas import MARGIN_PX, Canvas
from training.synthesize.material import sample_plane
from training.synthesize.noise import TABLE_SIZE, fractal, make_table, make_texture

LAYERS = 3


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
    """The grain at each pixel: how deep inside it (0 at the rim, 1 in the middle) and its own numbers."""

    depth: Tensor
    appears_at: Tensor
    strength: Tensor
    x: Tensor
    y: Tensor


def add_debris(canvas: Canvas, debris: dict[str, Tensor]) -> None:
    """Add each tile's debris (fields of `Debris`, one row a tile) to the canvas."""
    height, width = canvas.planes.shape[-2:]
    device = canvas.planes.device
    y = torch.arange(height, device=device)[None, :, None] - MARGIN_PX + 0.5
    x = torch.arange(width, device=device)[None, None, :] - MARGIN_PX + 0.5
    for layer in range(LAYERS):
        tiles = torch.nonzero((debris["cover"][:, layer] > 0) | (debris["film_path_um"][:, layer] != 0))[:, 0]
        if len(tiles):
            scale = canvas.um_per_px[tiles, None, None]
            shift = debris["shift"][tiles, layer, None, None]
            place = (x * scale + 0 * y + shift, y * scale + 0 * x + 1.7 * shift)
            _add_layer(canvas, {name: rows[tiles] for name, rows in debris.items()}, layer, tiles, place)


def _add_layer(
    canvas: Canvas, debris: dict[str, Tensor], layer: int, tiles: Tensor, place: tuple[Tensor, Tensor]
) -> None:
    texture = make_texture(canvas.planes.device)
    of = {name: rows[:, layer, None, None] for name, rows in debris.items()}
    warped = _warp(texture, place, of["grain_um"])
    grains = _nearest_grain(warped, of["grain_um"])
    cloud = _cloud(texture, place, of)
    shown = torch.sigmoid((_cloud(texture, (grains.x, grains.y), of) - grains.appears_at) / 0.02)
    dome = grains.depth.clamp(min=0).sqrt()
    patchy = (
        0.7 + 0.5 * fractal(texture, place[0] / of["cloud_um"] * 5, place[1] / of["cloud_um"] * 5, 3)
    ).clamp(min=0)
    darkness = of["grain_density"] * grains.strength**3 * (grains.depth > 0) * shown
    haze = of["haze_density"] * cloud * patchy
    film = of["film_path_um"] * fractal(
        texture, place[0] / of["cloud_um"] * 0.6, place[1] / of["cloud_um"] * 0.6, 4
    )
    tint = debris["tint"][:, 3 * layer : 3 * layer + 3, None, None]
    for colour in range(3):
        canvas.planes[colour, tiles, layer] += (darkness + haze) * tint[:, colour]
    canvas.planes[3, tiles, layer] += of["grain_path_um"] * (0.4 + grains.strength) * dome * shown + film


def _cloud(texture: Tensor, place: tuple[Tensor, Tensor], of: dict[str, Tensor]) -> Tensor:
    """How far inside a cloud each place is, 0 to 1."""
    noise = fractal(texture, place[0] / of["cloud_um"], place[1] / of["cloud_um"], 5)
    threshold = torch.special.ndtri((1 - of["cover"]).clamp(0.001, 0.999))
    return ((noise - threshold) / of["edge"] + 0.3).clamp(0, 1)


def _warp(texture: Tensor, place: tuple[Tensor, Tensor], grain_um: Tensor) -> tuple[Tensor, Tensor]:
    """Places pushed about by a third of a grain, so that grains are not polygons."""
    x, y = (axis / grain_um * (texture.shape[-1] / 64) for axis in place)
    push = 0.22 * grain_um
    return (
        place[0] + push * sample_plane(texture[6], x, y),
        place[1] + push * sample_plane(texture[6], x + 101.3, y + 57.7),
    )


def _nearest_grain(place: tuple[Tensor, Tensor], grain_um: Tensor) -> _Grains:
    """The lattice cell whose jittered point is nearest, seen relative to that grain's radius."""
    table = make_table(place[0].device)
    x, y = place[0] / grain_um, place[1] / grain_um
    column, row = torch.floor(x), torch.floor(y)
    best = torch.full_like(x, -1e9)
    chosen = torch.zeros_like(x, dtype=torch.int64)
    centre_x, centre_y = torch.zeros_like(x), torch.zeros_like(x)
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            cell_x, cell_y = column + right, row + down
            cell = (cell_y.long() % TABLE_SIZE) * TABLE_SIZE + cell_x.long() % TABLE_SIZE
            numbers = table[cell]
            point_x = cell_x + numbers[..., 0]
            point_y = cell_y + numbers[..., 1]
            radius = 0.2 + 0.5 * numbers[..., 2] ** 2
            depth = 1 - ((x - point_x) ** 2 + (y - point_y) ** 2) / radius**2
            nearer = depth > best
            best = torch.where(nearer, depth, best)
            chosen = torch.where(nearer, cell, chosen)
            centre_x = torch.where(nearer, point_x, centre_x)
            centre_y = torch.where(nearer, point_y, centre_y)
    numbers = table[chosen]
    return _Grains(
        best, 0.05 + 0.95 * numbers[..., 3], numbers[..., 4], centre_x * grain_um, centre_y * grain_um
    )
