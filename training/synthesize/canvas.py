"""Ragged drawing: all objects of one kind in a whole batch of tiles go onto the canvas in one call.

The canvas is wider than the tiles by a margin, so that an object just outside still throws its halo
into the picture.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.synthesize.material import Material, Samples
from training.synthesize.noise import make_texture
from training.synthesize.transfer import send_arrays

SLABS = 3
MARGIN_PX = 32
_MARGIN_STEP_PX = 64
_SAMPLES_AT_ONCE = 4_000_000
"""So many at least; then comes a new part."""
_ALONG = 1e-9


Paint = Callable[[Samples, dict[str, Tensor]], Material]


class Drawable(Protocol):
    """What the canvas needs to know of a kind: the material at its samples."""

    @property
    def material(self) -> Paint:
        """What it is made of, at sample points."""
        ...


@dataclass(frozen=True)
class Things:
    """Objects of one kind in one picture.

    Attributes
    ----------
    parameters : dict of ndarray (n, ...), float32
        As the kind drew them; `reach_um` is always among them.
    centre_xy : ndarray of shape (n, 2)
        Place of the object's origin, in pixels of the picture (pixel i covers i to i + 1).
    angle_rad : ndarray of shape (n,)
        Turn of the long axis from the x axis towards y (down).
    slab : ndarray of shape (n,), int
        Which depth slab the object lies in.
    offset : ndarray of shape (n, 2)
        Shift in the noise texture.
    outline_um : ndarray of shape (n, 96, 2) or (n, 0, 2)
        Outer outline in the object's own frame; clutter has none.
    """

    parameters: dict[str, NDArray[np.float32]]
    centre_xy: NDArray[np.float64]
    angle_rad: NDArray[np.float64]
    slab: NDArray[np.int64]
    offset: NDArray[np.float32]
    outline_um: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.centre_xy)


_POSE = ("centre_xy", "angle_rad", "slab", "offset", "outline_um")


@dataclass(frozen=True)
class Canvas:
    """Optical density and path of a batch of tiles, in depth slabs.

    Attributes
    ----------
    planes : Tensor of shape (4, B, SLABS, H, W)
        Density of red, green and blue, then path in µm.
    um_per_px : Tensor of shape (B,)
    host_um_per_px : ndarray of shape (B,)
        The same numbers in main memory, so that asking for them does not stop the GPU.
    """

    planes: Tensor
    um_per_px: Tensor
    host_um_per_px: NDArray[np.float32]

    def density(self) -> Tensor:
        """Mean density over the colours, all slabs together, (B, H, W)."""
        return self.planes[:3].mean(dim=0).sum(dim=1)


def canvas_shape(shape_hw: tuple[int, int]) -> tuple[int, int]:
    """Height and width of the canvas under a picture: margin added, rounded up for a fast transform."""
    height, width = (-(-(side + 2 * MARGIN_PX) // _MARGIN_STEP_PX) * _MARGIN_STEP_PX for side in shape_hw)
    return height, width


def blank_canvas(
    shape_hw: tuple[int, int], um_per_px: Sequence[float], device: torch.device | str = "cpu"
) -> Canvas:
    """A canvas of clear fluid for tiles of `shape_hw`, each of its own pixel size."""
    height, width = canvas_shape(shape_hw)
    planes = torch.zeros(4, len(um_per_px), SLABS, height, width, device=device)
    host = np.asarray(um_per_px, np.float32)
    return Canvas(planes, send_arrays([host], planes.device)[0], host)


def join_things(things: Sequence[Things]) -> Things:
    """Objects of one kind from several pictures, end to end."""
    names = things[0].parameters
    return Things(
        parameters={name: np.concatenate([each.parameters[name] for each in things]) for name in names},
        **{name: np.concatenate([getattr(each, name) for each in things]) for name in _POSE},
    )


def splat(
    canvas: Canvas,
    drawables: Mapping[str, Drawable],
    pictures: Sequence[Mapping[str, Things]],
) -> None:
    """Add every object of `pictures` (one mapping kind -> things a tile) to the canvas.

    Kinds made of the same material (one function, parameters of the same form) are drawn together. The
    order of drawing follows `drawables`, not the batch, so that sums round alike in any batch.
    """
    paints = list(dict.fromkeys(drawable.material for drawable in drawables.values()))
    jobs: dict[tuple[int, str], list[tuple[int, Things]]] = {}
    for tile, things_by_kind in enumerate(pictures):
        for name, things in things_by_kind.items():
            if len(things):
                key = (paints.index(drawables[name].material), _form(things))
                jobs.setdefault(key, []).append((tile, things))
    for number, form in sorted(jobs):
        job = jobs[number, form]
        tile_of = np.repeat([tile for tile, _ in job], [len(things) for _, things in job])
        _splat_alike(canvas, paints[number], join_things([things for _, things in job]), tile_of)


def _form(things: Things) -> str:
    """Names and shapes of the parameters, as text that sorts."""
    return repr(sorted((name, values.shape[1:]) for name, values in things.parameters.items()))


def _splat_alike(canvas: Canvas, paint: Paint, things: Things, tile_of: NDArray[np.int64]) -> None:
    runs = _lay_runs(canvas, things, tile_of)
    group = (np.cumsum(runs.count) - runs.count) // _SAMPLES_AT_ONCE
    for part in np.unique(group):
        _splat_part(canvas, paint, things, tile_of, runs.take(group == part))


@dataclass(frozen=True)
class _Runs:
    """Pixels side by side in one row of one object, a run each.

    Attributes
    ----------
    owner : ndarray of shape (R,)
        Object, ascending.
    count : ndarray of shape (R,)
        Pixels, at least one.
    place : ndarray of shape (R,)
        Where in a flat plane of the canvas the first pixel lies.
    first_um, step_um : ndarray of shape (R, 2), float32
        u and v of the first pixel, and from each to the next.
    """

    owner: NDArray[np.int64]
    count: NDArray[np.int64]
    place: NDArray[np.int64]
    first_um: NDArray[np.float32]
    step_um: NDArray[np.float32]

    def take(self, chosen: NDArray[Any]) -> _Runs:
        return _Runs(*(getattr(self, each.name)[chosen] for each in fields(self)))


def _lay_runs(canvas: Canvas, things: Things, tile_of: NDArray[np.int64]) -> _Runs:
    """The pixels in the turned rectangle that each object can fill, and one pixel around."""
    height, width = canvas.planes.shape[-2:]
    um_per_px = canvas.host_um_per_px[tile_of].astype(np.float64)
    reach = things.parameters["reach_um"]
    half = np.stack([reach, things.parameters.get("reach_across_um", reach)], 1) / um_per_px[:, None] + 1.0
    axis = np.stack([np.cos(things.angle_rad), np.sin(things.angle_rad)], 1)
    centre = things.centre_xy + MARGIN_PX
    tall = half[:, 0] * np.abs(axis[:, 1]) + half[:, 1] * np.abs(axis[:, 0])
    top, bottom = (
        np.ceil(centre[:, 1] + sign * tall - 0.5).astype(np.int64).clip(0, height) for sign in (-1, 1)
    )
    owner = np.repeat(np.arange(len(things)), bottom - top)
    row = np.arange(len(owner)) - np.repeat(np.cumsum(bottom - top) - bottom, bottom - top)
    down = row + 0.5 - centre[owner, 1]
    axis, half, middle = axis[owner], half[owner], centre[owner, 0]
    low, high = _cross(down, axis, half)
    left, right = (np.ceil(middle + x - 0.5).clip(0, width).astype(np.int64) for x in (low, high))
    right_of_centre = left + 0.5 - middle
    first = np.stack(
        [right_of_centre * axis[:, 0] + down * axis[:, 1], down * axis[:, 0] - right_of_centre * axis[:, 1]],
        axis=1,
    )
    step = np.stack([axis[:, 0], -axis[:, 1]], axis=1)
    scale = um_per_px[owner, None]
    plane = (tile_of * SLABS + things.slab)[owner]
    return _Runs(
        owner,
        right - left,
        (plane * height + row) * width + left,
        (first * scale).astype(np.float32),
        (step * scale).astype(np.float32),
    ).take(right > left)


def _cross(
    down: NDArray[np.float64], axis: NDArray[np.float64], half: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """From where to where the row `down` pixels below a rectangle's centre lies in it, in pixels.

    `axis` (n, 2) is the direction of its long side, `half` (n, 2) half its sides; from above to where
    means not at all.
    """
    low, high = np.full(len(down), -np.inf), np.full(len(down), np.inf)
    cosine, sine = axis.T
    for slope, start, reach in ((cosine, down * sine, half[:, 0]), (-sine, down * cosine, half[:, 1])):
        # A side that lies along the row bounds it nowhere: the rows were chosen to lie between such sides.
        safe = np.where(np.abs(slope) < _ALONG, np.inf, slope)
        ends = np.stack([(-reach - start) / safe, (reach - start) / safe])
        is_bound = np.isfinite(safe)
        low = np.where(is_bound, np.maximum(low, ends.min(axis=0)), low)
        high = np.where(is_bound, np.minimum(high, ends.max(axis=0)), high)
    return low, high


def _splat_part(
    canvas: Canvas, paint: Paint, things: Things, tile_of: NDArray[np.int64], runs: _Runs
) -> None:
    device = canvas.planes.device
    names = list(things.parameters)
    first_sample = np.cumsum(runs.count) - runs.count
    tile, offset, owner_of, count, places, spread, *values = send_arrays(
        [
            tile_of,
            things.offset,
            runs.owner,
            runs.count,
            np.stack([runs.place - first_sample, first_sample]),
            np.concatenate([runs.first_um, runs.step_um], axis=1).T,
            *(things.parameters[name] for name in names),
        ],
        device,
    )
    total = int(runs.count.sum())
    run = torch.repeat_interleave(torch.arange(len(count), device=device), count, output_size=total)
    index = torch.arange(total, device=device)
    along = (index - places[1][run]).float()
    samples = Samples(
        u_um=torch.addcmul(spread[0][run], spread[2][run], along),
        v_um=torch.addcmul(spread[1][run], spread[3][run], along),
        owner=owner_of[run],
        n_objects=len(things),
        um_per_px=canvas.um_per_px[tile],
        texture=make_texture(device),
        offset=offset,
    )
    material = paint(samples, dict(zip(names, values, strict=True)))
    index += places[0][run]
    for plane, added in zip(canvas.planes, (*material.density.unbind(1), material.path_um), strict=True):
        plane.view(-1).index_add_(0, index, added)
