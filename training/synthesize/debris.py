"""Granular debris: clouds of fine refractile grains, haze and film, drawn for every pixel at once.

Grains are the cells of a jittered lattice (Worley noise). Each carries its own size, darkness and the
cloud density at which it appears, so that one picture-wide evaluation draws any number of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from training.synthesize.canvas import Canvas
from training.synthesize.material import sample_plane
from training.synthesize.noise import TABLE_SIZE, TEXTURE_SIZE, fractal, make_table, make_texture

LAYERS = 3
_COARSE_PX = 4
_GRAIN_OCTAVES = (1.0, 0.45)
_WRAP = TABLE_SIZE - 1


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

    `x` and `y` are the grain's middle in canvas pixels.
    """

    depth: Tensor
    appears_at: Tensor
    strength: Tensor
    x: Tensor
    y: Tensor


def add_debris(canvas: Canvas, debris: dict[str, Tensor]) -> None:
    """Add each tile's debris (fields of `Debris`, one row a tile) to the canvas."""
    for layer in range(LAYERS):
        drawn = (debris["cover"][:, layer] > 0) | (debris["film_path_um"][:, layer] != 0)
        tiles = torch.nonzero(drawn)[:, 0]
        if len(tiles):
            _add_layer(canvas, {name: rows[tiles] for name, rows in debris.items()}, layer, tiles)


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
        shown = torch.sigmoid((_look_up(cloud, grains) - grains.appears_at) / 0.02)
        density = density + of["grain_density"] * grains.strength**4 * (grains.depth > 0) * shown
        dome = grains.depth.clamp(min=0).sqrt()
        path = path + finer * of["grain_path_um"] * (0.3 + 1.4 * grains.strength**2) * dome * shown
    for colour in range(3):
        tint = debris["tint"][:, 3 * layer + colour, None, None]
        canvas.planes[colour, tiles, layer] += density * tint
    canvas.planes[3, tiles, layer] += path


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
    column = (grains.x / _COARSE_PX).long().clamp(0, width - 1)
    row = (grains.y / _COARSE_PX).long().clamp(0, height - 1)
    return cloud.flatten(1).gather(1, (row * width + column).flatten(1)).view_as(grains.x)


def _nearest_grain(
    place_px: tuple[Tensor, Tensor], push: Tensor, of: dict[str, Tensor], um_per_px: Tensor
) -> _Grains:
    """The grain that each pixel lies deepest in.

    A point lies anywhere in its cell and no grain reaches further than half a cell, so the four cells
    whose middles are nearest hold every grain that can cover the pixel.
    """
    table = make_table(push.device)
    inverse_radius_squared = (0.18 + 0.32 * table[2] ** 2) ** -2
    px_per_grain = of["grain_um"] / um_per_px
    origin = of["shift"] / of["grain_um"]
    x = place_px[0] / px_per_grain + origin + push[:, 0]
    y = place_px[1] / px_per_grain + origin + push[:, 1]
    column, row = torch.floor(x - 0.5).long(), torch.floor(y - 0.5).long()
    depth, chosen, middle_x, middle_y = torch.full_like(x, -1e9), torch.zeros_like(column), x, y
    for down in (0, 1):
        for right in (0, 1):
            cell_x, cell_y = column + right, row + down
            cell = (cell_y & _WRAP) * TABLE_SIZE + (cell_x & _WRAP)
            point_x, point_y = cell_x + table[0][cell], cell_y + table[1][cell]
            inside = 1 - ((x - point_x) ** 2 + (y - point_y) ** 2) * inverse_radius_squared[cell]
            deeper = inside > depth
            depth = torch.where(deeper, inside, depth)
            chosen = torch.where(deeper, cell, chosen)
            middle_x = torch.where(deeper, point_x, middle_x)
            middle_y = torch.where(deeper, point_y, middle_y)
    return _Grains(
        depth,
        0.05 + 0.95 * table[3][chosen],
        table[4][chosen],
        (middle_x - origin) * px_per_grain,
        (middle_y - origin) * px_per_grain,
    )
