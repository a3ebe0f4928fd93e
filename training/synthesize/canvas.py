"""Ragged drawing: all objects of one kind in a whole batch of tiles go onto the canvas in one call.

The canvas is wider than the tiles by a margin, so that an object just outside still throws its halo
into the picture.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from training.synthesize.material import Material, Samples
from training.synthesize.noise import make_texture

SLABS = 3
MARGIN_PX = 32
_MARGIN_STEP_PX = 64
_SAMPLES_AT_ONCE = 24_000_000


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

    def take(self, chosen: NDArray[np.int64]) -> Things:
        """The objects of these rows."""
        return Things(
            parameters={name: values[chosen] for name, values in self.parameters.items()},
            **{name: getattr(self, name)[chosen] for name in _POSE},
        )


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
    return Canvas(planes, torch.from_numpy(host).to(device), host)


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
    windows = _windows(canvas, things, tile_of)
    area = (windows[:, 2] - windows[:, 0]) * (windows[:, 3] - windows[:, 1])
    group = np.cumsum(area) // _SAMPLES_AT_ONCE
    for part in np.unique(group[area > 0]):
        chosen = np.flatnonzero((group == part) & (area > 0))
        _splat_part(canvas, paint, things.take(chosen), tile_of[chosen], windows[chosen])


def _windows(canvas: Canvas, things: Things, tile_of: NDArray[np.int64]) -> NDArray[np.int64]:
    """Canvas pixels x1, y1, x2, y2 that each object can touch."""
    um_per_px = canvas.host_um_per_px[tile_of]
    turn = np.abs(np.cos(things.angle_rad)) + np.abs(np.sin(things.angle_rad))
    half = (things.parameters["reach_um"] / um_per_px * turn + 1.0)[:, None]
    height, width = canvas.planes.shape[-2:]
    centre = things.centre_xy + MARGIN_PX
    corners = np.hstack([np.floor(centre - half), np.ceil(centre + half)]).astype(np.int64)
    return corners.clip(0, [width, height, width, height])


def _splat_part(
    canvas: Canvas, paint: Paint, things: Things, tile_of: NDArray[np.int64], windows: NDArray[np.int64]
) -> None:
    device = canvas.planes.device
    owner, x, y = _lay(windows, device)
    centre = torch.from_numpy((things.centre_xy + MARGIN_PX).astype(np.float32)).to(device)
    turn = torch.from_numpy(np.stack([np.cos(things.angle_rad), np.sin(things.angle_rad)], 1)).to(device)
    tile = torch.from_numpy(tile_of).to(device)
    um_per_px = canvas.um_per_px[tile]
    towards_x = (x + 0.5 - centre[owner, 0]) * um_per_px[owner]
    towards_y = (y + 0.5 - centre[owner, 1]) * um_per_px[owner]
    cosine, sine = turn.float()[owner].unbind(1)
    samples = Samples(
        u_um=towards_x * cosine + towards_y * sine,
        v_um=towards_y * cosine - towards_x * sine,
        owner=owner,
        n_objects=len(things),
        um_per_px=um_per_px,
        texture=make_texture(device),
        offset=torch.from_numpy(things.offset).to(device),
    )
    parameters = {name: torch.from_numpy(values).to(device) for name, values in things.parameters.items()}
    material = paint(samples, parameters)
    height, width = canvas.planes.shape[-2:]
    slab = torch.from_numpy(things.slab).to(device)
    place = ((tile * SLABS + slab)[owner] * height + y) * width + x
    for plane, values in zip(canvas.planes, (*material.density.unbind(1), material.path_um), strict=True):
        plane.view(-1).index_add_(0, place, values)


def _lay(windows: NDArray[np.int64], device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """Owner, column and row of every pixel of every window, end to end."""
    widths = windows[:, 2] - windows[:, 0]
    counts = widths * (windows[:, 3] - windows[:, 1])
    starts = np.cumsum(counts) - counts
    table = torch.from_numpy(np.stack([counts, starts, widths, windows[:, 0], windows[:, 1]])).to(device)
    total = int(counts.sum())
    owner = torch.repeat_interleave(torch.arange(len(counts), device=device), table[0], output_size=total)
    start, width, left, top = table[1:, owner]
    within = torch.arange(total, device=device) - start
    row = torch.div(within, width, rounding_mode="floor")
    return owner, left + within - row * width, top + row
