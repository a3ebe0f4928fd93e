"""Round threads along a broken line: larvae, hooklets, legs, hairs, fibres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from training.synthesize.kinds.chance import Array
from training.synthesize.kinds.light import in_chunks
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
    pieces = torch.cat((points_um[:, :-1], points_um[:, 1:]), -1)
    radii = torch.stack((radius_um[:, :-1], radius_um[:, 1:]), -1)

    def nearest(part: Samples) -> tuple[Tensor, ...]:
        t, distance, side = _to_pieces(part, pieces)
        ends = part.of(radii)
        radius = torch.lerp(ends[..., 0], ends[..., 1], t)
        index = (distance - radius).argmin(1, keepdim=True)
        t, distance, side, radius = (each.gather(1, index)[:, 0] for each in (t, distance, side, radius))
        chord = 2 * (radius**2 - distance**2).clamp_min(0).sqrt()
        return chord, (index[:, 0] + t) / pieces.shape[1], side * distance / radius.clamp_min(1e-3)

    return Strand(*in_chunks(samples, nearest))


def rods_um(samples: Samples, ends_um: Tensor, radius_um: Tensor) -> Tensor:
    """Way of the light (S,) through straight rods; `ends_um` (n, K, 4), `radius_um` (n,) or (n, K)."""
    radii = radius_um if radius_um.ndim == 2 else radius_um[:, None]

    def through(part: Samples) -> tuple[Tensor]:
        distance = _to_pieces(part, ends_um)[1]
        return (2 * (part.of(radii) ** 2 - distance**2).clamp_min(0).sqrt().sum(1),)

    return in_chunks(samples, through)[0]


def _to_pieces(samples: Samples, pieces_um: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """For each sample and straight piece (S, K): nearest point as a share, distance in µm, side (±1)."""
    start, step = pieces_um[..., :2], pieces_um[..., 2:] - pieces_um[..., :2]
    inverse = 1 / (step**2).sum(-1).clamp_min(1e-9)
    u = samples.u_um[:, None] - samples.of(start[..., 0])
    v = samples.v_um[:, None] - samples.of(start[..., 1])
    du, dv = samples.of(step[..., 0]), samples.of(step[..., 1])
    t = ((u * du + v * dv) * samples.of(inverse)).clamp(0, 1)
    side = torch.sign(v * du - u * dv)
    return t, ((u - t * du) ** 2 + (v - t * dv) ** 2).sqrt(), side


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
