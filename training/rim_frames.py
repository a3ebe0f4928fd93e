"""Frames in which rims are read while learning: true ones disturbed, and those that the search leaves."""

from __future__ import annotations

import torch
from torch import Tensor

from triage.rim_frame import ANGLES, N_RAYS


def choose_frames(
    truth: Tensor, searched: Tensor, share: float, generator: torch.Generator
) -> tuple[Tensor, Tensor]:
    """Frames (B, 5) to read in, and which (B,) are the search's: this share; the others are disturbed ones.

    `searched` (B, SEARCHES, 5) has NaN where the search finds nothing; such frames are disturbed ones too.
    """
    n, n_searches = searched.shape[:2]
    which = torch.randint(n_searches, (n,), device=truth.device, generator=generator)
    picked = searched[torch.arange(n, device=truth.device), which]
    is_searched = torch.rand(n, device=truth.device, generator=generator) < share
    is_searched &= picked.isfinite().all(dim=1)
    return torch.where(is_searched[:, None], picked, disturb(truth, generator)), is_searched


def disturb(ellipses: Tensor, generator: torch.Generator) -> Tensor:
    """Frames as a search may find them: most a few percent off, some far off."""
    n, device = len(ellipses), ellipses.device

    def normal(*shape: int) -> Tensor:
        return torch.randn(*shape, device=device, generator=generator)

    strength = torch.tensor([0.25, 1.0, 2.2], device=device)[
        torch.multinomial(
            torch.tensor([0.35, 0.5, 0.15], device=device), n, replacement=True, generator=generator
        )
    ]
    place = normal(n, 2) * 0.025 * strength[:, None] * ellipses[:, 3:4]
    sides = (normal(n, 2) * 0.05 * strength[:, None] + normal(n, 1) * 0.03 * strength[:, None]).exp()
    turn = normal(n) * 0.07 * strength
    frames = torch.stack(
        [
            ellipses[:, 0] + place[:, 0],
            ellipses[:, 1] + place[:, 1],
            ellipses[:, 2] * sides[:, 0],
            ellipses[:, 3] * sides[:, 1],
            ellipses[:, 4] + turn,
        ],
        dim=1,
    )
    return frames


def place(frames: Tensor, radii: Tensor) -> Tensor:
    """Points (B, N_RAYS, ..., 2) at radii (B, N_RAYS, ...) on the rays of frames (B, 5)."""
    shape = (-1, *(1,) * (radii.ndim - 1))
    cx, cy, length, width, turn = (column.reshape(shape) for column in frames.unbind(1))
    angles = torch.as_tensor(ANGLES, dtype=radii.dtype, device=radii.device)
    angles = angles.reshape(1, N_RAYS, *(1,) * (radii.ndim - 2))
    along, across = radii * angles.cos() * length / 2, radii * angles.sin() * width / 2
    x = cx + along * turn.cos() - across * turn.sin()
    y = cy + along * turn.sin() + across * turn.cos()
    return torch.stack([x, y], dim=-1)


def true_radii(frames: Tensor, outlines: Tensor) -> Tensor:
    """Distance (B, N_RAYS), in the frames, to the farthest crossing of each ray with the outlines."""
    cx, cy, length, width, turn = (column[:, None] for column in frames.unbind(1))
    x, y = outlines[..., 0] - cx, outlines[..., 1] - cy
    u = (x * turn.cos() + y * turn.sin()) * 2 / length
    v = (y * turn.cos() - x * turn.sin()) * 2 / width
    du, dv = torch.roll(u, -1, 1) - u, torch.roll(v, -1, 1) - v
    angles = torch.as_tensor(ANGLES, dtype=u.dtype, device=u.device)[None, :, None]
    cos, sin = angles.cos(), angles.sin()
    u, v, du, dv = (each[:, None] for each in (u, v, du, dv))
    twist = cos * dv - sin * du
    twist = torch.where(twist.abs() < 1e-9, torch.full_like(twist, 1e-9), twist)
    distance = (u * dv - v * du) / twist
    share = (u * sin - v * cos) / twist
    hit = (share >= -1e-4) & (share <= 1 + 1e-4) & (distance > 0)
    return torch.where(hit, distance, torch.zeros_like(distance)).amax(dim=2)


def extents(points: Tensor) -> Tensor:
    """Length and width (B, 2) of closed polygons, as `triage.outline.measure_moments` gives them."""
    middle = points.mean(dim=1, keepdim=True)
    x, y = (points - middle).unbind(-1)
    next_x, next_y = torch.roll(x, -1, 1), torch.roll(y, -1, 1)
    cross = x * next_y - next_x * y
    area = cross.sum(1) / 2
    mx, my = ((x + next_x) * cross).sum(1) / (6 * area), ((y + next_y) * cross).sum(1) / (6 * area)
    xx = ((x * x + x * next_x + next_x * next_x) * cross).sum(1) / (12 * area) - mx * mx
    yy = ((y * y + y * next_y + next_y * next_y) * cross).sum(1) / (12 * area) - my * my
    xy = ((x * next_y + 2 * x * y + 2 * next_x * next_y + next_x * y) * cross).sum(1) / (24 * area) - mx * my
    turn = (0.5 * torch.atan2(2 * xy, xx - yy)).detach()[:, None]
    along, across = x * turn.cos() + y * turn.sin(), y * turn.cos() - x * turn.sin()
    sides = torch.stack([along.amax(1) - along.amin(1), across.amax(1) - across.amin(1)], dim=1)
    return sides.sort(dim=1, descending=True).values


def frame_around(points: Tensor) -> Tensor:
    """Ellipses (B, 5) that span closed polygons along and across the long axis of their area."""
    x, y = points.unbind(-1)
    middle = points.mean(dim=1, keepdim=True)
    u, v = (points - middle).unbind(-1)
    next_u, next_v = torch.roll(u, -1, 1), torch.roll(v, -1, 1)
    cross = u * next_v - next_u * v
    xx = ((u * u + u * next_u + next_u * next_u) * cross).sum(1)
    yy = ((v * v + v * next_v + next_v * next_v) * cross).sum(1)
    xy = ((u * next_v + 2 * u * v + 2 * next_u * next_v + next_u * v) * cross).sum(1) / 2
    turn = 0.5 * torch.atan2(2 * xy, xx - yy)
    cos, sin = turn.cos()[:, None], turn.sin()[:, None]
    along, across = x * cos + y * sin, y * cos - x * sin
    mid_u, mid_v = (each.amax(1) / 2 + each.amin(1) / 2 for each in (along, across))
    return torch.stack(
        [
            mid_u * turn.cos() - mid_v * turn.sin(),
            mid_u * turn.sin() + mid_v * turn.cos(),
            along.amax(1) - along.amin(1),
            across.amax(1) - across.amin(1),
            turn,
        ],
        dim=1,
    )
