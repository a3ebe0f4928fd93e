"""Round threads along a broken line: larvae, hooklets, legs, hairs, fibres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from training.synthesize.kinds.chance import Array
from training.synthesize.material import Samples


@dataclass(frozen=True)
class Strand:
    """Where samples lie in their nearest strand.

    Attributes
    ----------
    chord_um : Tensor of shape (S,)
        Way of the light through the strand, 0 outside.
    along : Tensor of shape (S,)
        0 at the first point, 1 at the last.
    across : Tensor of shape (S,)
        Signed distance from the midline over the local radius; beyond ±1 outside.
    """

    chord_um: Tensor
    along: Tensor
    across: Tensor

    def core_um(self, share: float) -> Tensor:
        """Way of the light through the inner `share` of the radius."""
        radius = self.chord_um / (2 * (1 - self.across**2).clamp_min(1e-6).sqrt())
        return 2 * radius * (share**2 - self.across**2).clamp_min(0).sqrt()


def trace(samples: Samples, points_um: Tensor, radius_um: Tensor) -> Strand:
    """The strand of each object along `points_um` (n, K, 2) with `radius_um` (n, K) at each point."""
    n_pieces = points_um.shape[1] - 1
    excess = torch.full_like(samples.u_um, 1e9)
    chord, along, across = (torch.zeros_like(samples.u_um) for _ in range(3))
    for k in range(n_pieces):
        step = points_um[:, k + 1] - points_um[:, k]
        length2 = (step**2).sum(1).clamp_min(1e-9)
        u = samples.u_um - samples.of(points_um[:, k, 0])
        v = samples.v_um - samples.of(points_um[:, k, 1])
        du, dv = samples.of(step[:, 0]), samples.of(step[:, 1])
        t = ((u * du + v * dv) / samples.of(length2)).clamp(0, 1)
        side = torch.sign(v * du - u * dv)
        distance = ((u - t * du) ** 2 + (v - t * dv) ** 2).sqrt()
        radius = torch.lerp(samples.of(radius_um[:, k]), samples.of(radius_um[:, k + 1]), t)
        nearer = (distance - radius) < excess
        excess = torch.where(nearer, distance - radius, excess)
        chord = torch.where(nearer, 2 * (radius**2 - distance**2).clamp_min(0).sqrt(), chord)
        along = torch.where(nearer, (k + t) / n_pieces, along)
        across = torch.where(nearer, side * distance / radius.clamp_min(1e-3), across)
    return Strand(chord, along, across)


def rods_um(samples: Samples, ends_um: Tensor, radius_um: Tensor) -> Tensor:
    """Way of the light through separate straight rods; `ends_um` (n, K, 4), `radius_um` (n,), shape (S,)."""
    total = torch.zeros_like(samples.u_um)
    radius = samples.of(radius_um)
    for k in range(ends_um.shape[1]):
        step = ends_um[:, k, 2:] - ends_um[:, k, :2]
        u = samples.u_um - samples.of(ends_um[:, k, 0])
        v = samples.v_um - samples.of(ends_um[:, k, 1])
        du, dv = samples.of(step[:, 0]), samples.of(step[:, 1])
        t = ((u * du + v * dv) / samples.of((step**2).sum(1).clamp_min(1e-9))).clamp(0, 1)
        distance2 = (u - t * du) ** 2 + (v - t * dv) ** 2
        total = total + 2 * (radius**2 - distance2).clamp_min(0).sqrt()
    return total


def outline_strand(points_um: Array, radius_um: Array, n_outline: int = 96) -> Array:
    """Outline (n, n_outline, 2) around strands: down one side, up the other."""
    half = n_outline // 2
    where = np.linspace(0, points_um.shape[1] - 1, half)
    low = np.clip(where.astype(int), 0, points_um.shape[1] - 2)
    share = (where - low)[None, :, None]
    middle = points_um[:, low] * (1 - share) + points_um[:, low + 1] * share
    radius = radius_um[:, low] * (1 - share[..., 0]) + radius_um[:, low + 1] * share[..., 0]
    slope = np.gradient(middle, axis=1)
    slope /= np.maximum(np.linalg.norm(slope, axis=2, keepdims=True), 1e-9)
    normal = np.stack((-slope[..., 1], slope[..., 0]), -1) * radius[..., None]
    left, right = middle + normal, middle - normal
    for side in (left, right):
        side[:, 0] -= slope[:, 0] * radius[:, :1]
        side[:, -1] += slope[:, -1] * radius[:, -1:]
    return np.concatenate((left, right[:, ::-1]), 1).astype(np.float32)


def lay_lengthwise(points_um: Array, radius_um: Array) -> tuple[Array, Array, Array]:
    """Points turned and shifted so that the outline is centred and longest along u; its length and width."""
    outline = outline_strand(points_um, radius_um)
    angle = np.linspace(0, np.pi, 90, endpoint=False)
    reach = np.einsum("nkc,ca->nka", outline, np.stack((np.cos(angle), np.sin(angle))))
    best = angle[np.ptp(reach, axis=1).argmax(1)] if len(outline) else np.zeros(0)
    cos, sin = np.cos(best), np.sin(best)
    turn = np.stack((np.stack((cos, -sin), -1), np.stack((sin, cos), -1)), -2)
    points_um = (points_um @ turn).astype(np.float32)
    outline = outline_strand(points_um, radius_um)
    low, high = outline.min(1), outline.max(1)
    points_um = (points_um - (low + high)[:, None] / 2).astype(np.float32)
    outline = outline_strand(points_um, radius_um)
    span = np.ptp(outline, axis=1)
    return points_um, span[:, 0].astype(np.float32), span[:, 1].astype(np.float32)
