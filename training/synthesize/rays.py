"""Where material sends the rays that it bends: strong phase, which weak-object transfer functions overdraw.

A path that rises by s in 1 µm bends a ray by s towards the rise (eikonal equation; Born & Wolf, Principles of
Optics, from memory). In a plane d behind the material the ray is found s d further on, and the light is as
dense as the rays are. For weak material this is the transport of intensity, 1 - d times the Laplacian of the
path (M. R. Teague, J. Opt. Soc. Am. 73 (1983) 1434-1441, from memory).
"""

from __future__ import annotations

import torch
from torch import Tensor

from training.synthesize.canvas import Canvas

_LEAST_SPARE = 0.02
_MOST_LOST = 2.0
"""Optical density, natural, of what throws all light past the objective; some is scattered into it again."""
_SHADES = (0.1, 2.5)
"""Least and most that oblique light makes of 1."""


def trace_rays(canvas: Canvas, slab: int, optics: dict[str, Tensor], behind_um: Tensor) -> Tensor:
    """Light (B, H, W) that one slab alone leaves in the plane of focus; 1 where it bends no ray.

    Parameters
    ----------
    canvas : Canvas
    slab : int
    optics : dict of Tensor
        The fields of `Optics`, one row a tile.
    behind_um : Tensor of shape (B,)
        How far behind the slab, as the light goes, the plane of focus lies.

    Notes
    -----
    Each corner of four pixels sends one ray, the middle of a cone as wide as the condenser's; rows and
    columns of the result count corners, half a pixel below and to the right of the pixels' middles. Where the
    cone leans past the rim of the objective a share of it is lost, and the middle of the rest leans less. The
    cone's own spread and that of `spread_of_rays` are left to who has the spectrum. Rays that leave at one
    side come in at the other, as all does in a discrete Fourier transform.
    """
    step_um = _per_tile(2 * canvas.um_per_px)
    path = canvas.planes[3, :, slab]
    along, across = (path + torch.roll(path, -1, side) for side in (-2, -1))
    slope_x = (torch.roll(along, -1, -1) - along) / step_um
    slope_y = (torch.roll(across, -1, -2) - across) / step_um
    steepness = torch.hypot(slope_x, slope_y)
    na, cone = _per_tile(optics["na"]), _per_tile(optics["condenser_na"])
    beyond = (steepness - (na - cone).clamp(min=_LEAST_SPARE)).clamp_(min=0)
    missed = (beyond / (2 * torch.minimum(na, cone))).clamp_(max=1)
    light = torch.exp(missed.mul_(-_MOST_LOST * _per_tile(optics["schlieren"])))
    oblique_x, oblique_y = (_per_tile(each) for each in optics["oblique_xy"].unbind(1))
    light.mul_((slope_x * oblique_x + slope_y * oblique_y).add_(1).clamp_(*_SHADES))
    leaning = torch.minimum(beyond.mul_(-0.5).add_(steepness), na).div_(steepness.clamp_(min=1e-6))
    reach_px = leaning.mul_(_per_tile(behind_um / canvas.um_per_px))
    return _lay_down(light, slope_x.mul_(reach_px), slope_y.mul_(reach_px))


def spread_of_rays(cycles_per_px: Tensor) -> Tensor:
    """Transfer, along one axis, of the shares in which light is laid down that has not moved."""
    return 0.75 + 0.25 * torch.cos(2 * torch.pi * cycles_per_px)


def bending_of_rays(x_cycles_per_px: Tensor, y_cycles_per_px: Tensor) -> Tensor:
    """Transfer from a faint path to the light that gathers in a plane one pixel behind it.

    Without pixels it would be (2 pi f)². The spread and the half pixel to the corners are taken out.
    """
    x, y = torch.pi * x_cycles_per_px, torch.pi * y_cycles_per_px
    rise_x, rise_y = 2 * torch.sin(x) * torch.cos(y), 2 * torch.sin(y) * torch.cos(x)
    gathered_x = torch.sin(2 * x) / spread_of_rays(x_cycles_per_px)
    gathered_y = torch.sin(2 * y) / spread_of_rays(y_cycles_per_px)
    return rise_x * gathered_x + rise_y * gathered_y


def _per_tile(values: Tensor) -> Tensor:
    return values[:, None, None]


def _lay_down(light: Tensor, right_px: Tensor, down_px: Tensor) -> Tensor:
    """Each ray's light (B, H, W), moved and shared among the nine pixels around where it falls.

    The shares are those of a quadratic spline, whose spread is the same wherever between pixels light falls.
    Shared among four, moved light would be smeared more than unmoved light, which moves faint edges.
    """
    n, height, width = light.shape
    device = light.device
    column, column_shares = _share(right_px.add_(torch.arange(width, device=device)), width)
    row, row_shares = _share(down_px.add_(torch.arange(height, device=device)[:, None]), height)
    # One pixel more on each side, folded back below, so that a neighbour's place is a fixed step away.
    tall, wide = height + 2, width + 2
    place = row.long().mul_(wide).add_(column.long())
    place.add_(_per_tile(torch.arange(0, n * tall * wide, tall * wide, device=device)))
    laid = torch.zeros(n * tall * wide, device=device)
    for down, row_share in enumerate(row_shares):
        lit = light * row_share
        for right, column_share in enumerate(column_shares):
            there = laid[down * wide + right :]
            there.index_add_(0, place.view(-1), (lit * column_share).view(-1))
    return _fold(laid.view(n, tall, wide))


def _share(place_px: Tensor, side: int) -> tuple[Tensor, tuple[Tensor, Tensor, Tensor]]:
    """Nearest pixel, wrapped into `side`, and the shares of the one before it, of it and of the one after."""
    nearest = torch.floor(place_px + 0.5)
    off = place_px.sub_(nearest)
    nearest.sub_(torch.floor(nearest / side).mul_(side))
    before, after = (0.5 - off).square_().mul_(0.5), (0.5 + off).square_().mul_(0.5)
    return nearest, (before, 1 - before - after, after)


def _fold(laid: Tensor) -> Tensor:
    """Without the outermost pixels, whose light goes to the opposite side."""
    laid[..., -2] += laid[..., 0]
    laid[..., 1] += laid[..., -1]
    laid[..., -2, :] += laid[..., 0, :]
    laid[..., 1, :] += laid[..., -1, :]
    return laid[..., 1:-1, 1:-1]
