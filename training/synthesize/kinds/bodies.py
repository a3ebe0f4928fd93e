"""Rounded bodies: ellipsoids made blunt, egg-shaped, wavy, rough or dented, and the way light takes through.

A body is a row of numbers (`draw_body` gives rows of shape (n, N_COLUMNS)). Its surface is that of a unit
ball, seen from above, in a bent frame: `rho` is 0 at the centre and 1 at the surface, and the light passes
`chord_um = 2 * depth * sqrt(1 - rho²)` of it. The chord through a shell is that of the outer body less
that of the inner one; bright and dark rims follow from it without further drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
import torch
from torch import Tensor

from training.synthesize.kinds.chance import Array, Range, happens, uniform
from training.synthesize.material import Samples
from training.synthesize.transfer import constant

N_OUTLINE = 96
_WAVES = (2, 3, 4, 5)
_N_ROUGH = 3


class Column(IntEnum):
    """Columns of a body."""

    CENTRE_U = 0
    CENTRE_V = 1
    HALF_LENGTH = 2
    HALF_WIDTH = 3
    HALF_DEPTH = 4
    POWER = 5
    EGG = 6
    BARREL = 7
    TILT = 8
    DENT = 9
    DENT_AT = 10
    DENT_FOCUS = 11
    WAVE_SIZE = 12
    WAVE_PHASE = 12 + len(_WAVES)
    ROUGH_SIZE = 12 + 2 * len(_WAVES)
    ROUGH_COUNT = 12 + 2 * len(_WAVES) + _N_ROUGH
    ROUGH_PHASE = 12 + 2 * len(_WAVES) + 2 * _N_ROUGH


N_COLUMNS = Column.ROUGH_PHASE + _N_ROUGH


def draw_body(
    rng: np.random.Generator,
    length_um: Array,
    width_um: Array,
    *,
    power: Range = (2.0, 2.1),
    egg: Range = (0.0, 0.06),
    barrel: Range = (0.0, 0.0),
    depth: Range = (0.85, 1.0),
    wave: float = 0.006,
    rough: Range = (0.0, 0.0),
    rough_count: tuple[int, int] = (18, 34),
    dented: float = 0.0,
    flat: Range = (0.0, 0.0),
    corners: int = 3,
    corner: Range = (0.0, 0.0),
) -> Array:
    """Bodies of shape (n, N_COLUMNS) whose outlines span `length_um` x `width_um`, centred on the origin.

    Parameters
    ----------
    power : pair of float
        2 is an ellipse, above 2 boxier, below 2 pointed.
    egg, barrel : pair of float
        Slope and curvature of the width along the length: one blunt end; narrowed (above 0: widened) ends.
    depth : pair of float
        Depth over width.
    wave, rough : float, pair of float
        Relative height of slow undulations (drawn normal) and of fine ones (`rough_count` a turn).
    dented : float
        Share of bodies with one side pressed in.
    flat : pair of float
        How far one long side is pressed flat all along.
    corners, corner : int, pair of float
        Number of rounded corners (2 to 5) and their relative height.
    """
    n = len(length_um)
    body = np.zeros((n, N_COLUMNS), np.float32)
    body[:, Column.HALF_LENGTH] = length_um / 2
    body[:, Column.HALF_WIDTH] = width_um / 2
    body[:, Column.POWER] = uniform(rng, n, power)
    body[:, Column.EGG] = uniform(rng, n, egg) * rng.choice([-1.0, 1.0], n)
    body[:, Column.BARREL] = uniform(rng, n, barrel)
    body[:, Column.DENT] = happens(rng, n, dented) * uniform(rng, n, (0.08, 0.4))
    body[:, Column.DENT_AT] = uniform(rng, n, (0, 2 * np.pi))
    body[:, Column.DENT_FOCUS] = uniform(rng, n, (1.5, 9.0))
    waves = slice(Column.WAVE_SIZE, Column.WAVE_PHASE)
    body[:, waves] = rng.normal(0, wave, (n, len(_WAVES)))
    body[:, Column.WAVE_PHASE : Column.ROUGH_SIZE] = rng.uniform(0, 2 * np.pi, (n, len(_WAVES)))
    lobe = uniform(rng, n, corner)
    body[:, Column.WAVE_SIZE + _WAVES.index(corners)] += lobe
    flatness = uniform(rng, n, flat)
    is_flat = flatness > 0
    body[:, Column.DENT] = np.where(is_flat, flatness, body[:, Column.DENT])
    body[:, Column.DENT_AT] = np.where(is_flat, np.pi / 2, body[:, Column.DENT_AT])
    body[:, Column.DENT_FOCUS] = np.where(is_flat, 1.2, body[:, Column.DENT_FOCUS])
    share = rng.dirichlet(np.ones(_N_ROUGH), n)
    body[:, Column.ROUGH_SIZE : Column.ROUGH_COUNT] = share * uniform(rng, n, rough)[:, None]
    body[:, Column.ROUGH_COUNT : Column.ROUGH_PHASE] = rng.integers(*rough_count, (n, _N_ROUGH))
    body[:, Column.ROUGH_PHASE :] = rng.uniform(0, 2 * np.pi, (n, _N_ROUGH))
    _fit(body, length_um, width_um)
    body[:, Column.HALF_DEPTH] = uniform(rng, n, depth) * width_um / 2
    return body


def _fit(body: Array, length_um: Array, width_um: Array) -> None:
    """Scale and shift the bodies in place until their outlines span the sizes asked for."""
    for _ in range(2):
        points = outline_body(body)
        low, high = points.min(1), points.max(1)
        span = np.maximum(high - low, 1e-6)
        body[:, Column.HALF_LENGTH] *= length_um / span[:, 0]
        body[:, Column.HALF_WIDTH] *= width_um / span[:, 1]
    points = outline_body(body)
    middle = (points.min(1) + points.max(1)) / 2
    body[:, [Column.CENTRE_U, Column.CENTRE_V]] -= middle


def inner_body(
    rng: np.random.Generator, shell: Array, *, fill: Range, drift: float, rounded: float = 0.0, **shape: Any
) -> Array:
    """Bodies that fill a share of each shell's length and width, shifted by up to `drift` of the free room.

    `fill` counts from the shell's outer size; `rounded` draws the length towards the width (1: a ball);
    `shape` goes to `draw_body`.
    """
    n = len(shell)
    common = uniform(rng, n, fill)
    length, width = 2 * shell[:, Column.HALF_LENGTH] * common, 2 * shell[:, Column.HALF_WIDTH] * common
    width = np.minimum(width * rng.normal(1, 0.04, n), 2 * fill[1] * shell[:, Column.HALF_WIDTH])
    length = length + rounded * (width - length)
    body = draw_body(rng, length.astype(np.float32), width.astype(np.float32), **shape)
    place(rng, body, shell, drift)
    return body


def place(rng: np.random.Generator, body: Array, shell: Array, drift: float) -> None:
    """Shift bodies in place by up to `drift` of the room left inside their shells."""
    room = (
        shell[:, [Column.HALF_LENGTH, Column.HALF_WIDTH]] - body[:, [Column.HALF_LENGTH, Column.HALF_WIDTH]]
    )
    body[:, [Column.CENTRE_U, Column.CENTRE_V]] += (
        rng.uniform(-drift, drift, (len(body), 2)) * np.maximum(room, 0)
    ).astype(np.float32)
    body[:, [Column.CENTRE_U, Column.CENTRE_V]] += shell[:, [Column.CENTRE_U, Column.CENTRE_V]]


def outline_body(body: Array) -> Array:
    """Outlines of shape (n, 96, 2), in µm, in the frame of the object."""
    table = torch.from_numpy(np.ascontiguousarray(body.T))[:, :, None]
    angle = torch.arange(N_OUTLINE, dtype=torch.float32) * (2 * torch.pi / N_OUTLINE)
    angle = angle.expand(len(body), N_OUTLINE)
    power = table[Column.POWER]
    blunt = (angle.cos().abs() ** power + angle.sin().abs() ** power) ** (1 / power)
    radius = _swell(angle, table)[1] / blunt
    x, y = radius * angle.cos(), radius * angle.sin()
    u = x * table[Column.HALF_LENGTH]
    v = y * table[Column.HALF_WIDTH] * _widening(x, table)
    cos, sin = table[Column.TILT].cos(), table[Column.TILT].sin()
    turned = (u * cos - v * sin + table[Column.CENTRE_U], u * sin + v * cos + table[Column.CENTRE_V])
    return torch.stack(turned, -1).numpy()


def outline_union(*outlines: Array) -> Array:
    """Outline (n, 96, 2) of the union of polygons (n, K, 2): the farthest edge in each direction."""
    angle = np.arange(N_OUTLINE) * (2 * np.pi / N_OUTLINE)
    ray = np.stack((np.cos(angle), np.sin(angle)), -1)
    far = np.zeros((len(outlines[0]), N_OUTLINE))
    for outline in outlines:
        far = np.maximum(far, _farthest(outline.astype(np.float64), ray))
    return (far[..., None] * ray).astype(np.float32)


def outline_hull(points: Array) -> Array:
    """Outline (n, 96, 2) of the convex hull of points (n, K, 2): the farthest one in each direction."""
    angle = np.arange(N_OUTLINE) * (2 * np.pi / N_OUTLINE)
    farthest = (points @ np.stack((np.cos(angle), np.sin(angle)))).argmax(1)
    return np.take_along_axis(points, farthest[..., None], 1).astype(np.float32)


def _farthest(outline: np.ndarray, ray: np.ndarray) -> np.ndarray:
    """Distance (n, rays) to the farthest crossing of each ray with the polygon, 0 where it passes by."""
    start, step = outline[:, None], (np.roll(outline, -1, 1) - outline)[:, None]
    towards = ray[None, :, None]
    twist = towards[..., 0] * step[..., 1] - towards[..., 1] * step[..., 0]
    twist = np.where(np.abs(twist) < 1e-12, 1e-12, twist)
    distance = (start[..., 0] * step[..., 1] - start[..., 1] * step[..., 0]) / twist
    share = (start[..., 0] * towards[..., 1] - start[..., 1] * towards[..., 0]) / twist
    hit = (share >= -1e-9) & (share <= 1 + 1e-9) & (distance > 0)
    return np.where(hit, distance, 0).max(-1)


def _widening(x: Tensor, table: Tensor) -> Tensor:
    x = x.clamp(-1.3, 1.3)
    return (1 + table[Column.EGG] * x + table[Column.BARREL] * x**2).clamp_min(0.15)


def _swell(angle: Tensor, table: Tensor) -> tuple[Tensor, Tensor]:
    """Radius over that of the plain body at each angle: without and with the fine roughness.

    `table` holds a column of the body in each row, `table[column]` spreading over `angle`.
    """
    counts = constant(_WAVES, angle.device).reshape(-1, *(1,) * angle.ndim)
    waves = (counts * angle + table[Column.WAVE_PHASE : Column.ROUGH_SIZE]).cos()
    smooth = 1 + (table[Column.WAVE_SIZE : Column.WAVE_PHASE] * waves).sum(0)
    turns = table[Column.ROUGH_COUNT : Column.ROUGH_PHASE] * angle + table[Column.ROUGH_PHASE :]
    fine = (table[Column.ROUGH_SIZE : Column.ROUGH_COUNT] * turns.cos()).sum(0)
    dent = ((angle - table[Column.DENT_AT]).cos() - 1) * table[Column.DENT_FOCUS]
    left = 1 - table[Column.DENT] * dent.exp()
    return (smooth * left).clamp_min(0.2), ((smooth + fine) * left).clamp_min(0.2)


@dataclass(frozen=True)
class Place:
    """Where samples lie in their bodies.

    Attributes
    ----------
    along_um, across_um : Tensor of shape (S,)
        In the frame of the body, from its centre.
    angle : Tensor of shape (S,)
        Direction from the centre in the unit frame.
    table : Tensor of shape (9, S)
        The first columns of each sample's body, up to `Column.TILT`.
    smooth, rough : Tensor of shape (S,)
        Radius at that angle over that of the plain body, without and with the fine roughness.
    """

    along_um: Tensor
    across_um: Tensor
    angle: Tensor
    table: Tensor
    smooth: Tensor
    rough: Tensor

    def rho(self, inset_um: Tensor | float = 0.0, *, rough: bool = False) -> Tensor:
        """0 at the centre, 1 at the surface lying `inset_um` below the body's own."""
        return self._rho(*self._unit(inset_um), rough)

    def distance_um(self, inset_um: Tensor | float = 0.0, *, rough: bool = False) -> Tensor:
        """About the distance to that surface; below 0 inside."""
        half_length = (self.table[Column.HALF_LENGTH] - inset_um).clamp_min(0.05)
        half_width = (self.table[Column.HALF_WIDTH] - inset_um).clamp_min(0.05)
        x, y = self._unit(inset_um)
        slope = ((x / half_length) ** 2 + (y / half_width) ** 2 + 1e-12).sqrt()
        slope = slope / (x**2 + y**2 + 1e-9).sqrt()
        return (self._rho(x, y, rough) - 1) / slope.clamp_min(1e-3)

    def chord_um(self, inset_um: Tensor | float = 0.0, *, rough: bool = False) -> Tensor:
        """Way of the light through what lies below that surface."""
        depth = (self.table[Column.HALF_DEPTH] - inset_um).clamp_min(0)
        return 2 * depth * (1 - self.rho(inset_um, rough=rough) ** 2).clamp_min(0).sqrt()

    def shell_um(self, outer_um: Tensor | float, inner_um: Tensor | float) -> Tensor:
        """Way of the light through the layer between two insets."""
        return (self.chord_um(outer_um) - self.chord_um(inner_um)).clamp_min(0)

    def _rho(self, x: Tensor, y: Tensor, rough: bool) -> Tensor:
        power = self.table[Column.POWER]
        plain = (x.abs() ** power + y.abs() ** power + 1e-12) ** (1 / power)
        return plain / (self.rough if rough else self.smooth)

    def _unit(self, inset_um: Tensor | float) -> tuple[Tensor, Tensor]:
        x = self.along_um / (self.table[Column.HALF_LENGTH] - inset_um).clamp_min(0.05)
        half_width = (self.table[Column.HALF_WIDTH] - inset_um).clamp_min(0.05)
        return x, self.across_um / (half_width * _widening(x, self.table))


def locate(samples: Samples, body: Tensor) -> Place:
    """Place of each sample in the body (n, N_COLUMNS) of its object."""
    table = body.t()[:, samples.owner]
    u = samples.u_um - table[Column.CENTRE_U]
    v = samples.v_um - table[Column.CENTRE_V]
    cos, sin = table[Column.TILT].cos(), table[Column.TILT].sin()
    along, across = u * cos + v * sin, v * cos - u * sin
    x = along / table[Column.HALF_LENGTH].clamp_min(0.05)
    y = across / (table[Column.HALF_WIDTH].clamp_min(0.05) * _widening(x, table))
    angle = torch.atan2(y, x)
    return Place(along, across, angle, table[: Column.DENT].clone(), *_swell(angle, table))
