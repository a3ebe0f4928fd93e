"""Plain discs and rings of known outline, as the network that reads rims sees them while it learns."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from training.rim_frames import place
from training.rim_settings import PlainForms
from triage.rim_frame import N_RAYS, RIM_RHO


@dataclass(frozen=True)
class PlainShapes:
    """Discs, and rings that are paler inside; their edge is where brightness changes fastest.

    Attributes
    ----------
    ellipses : Tensor of shape (B, 5)
        cx, cy, length, width, angle in radians, in pixels.
    blur, thickness, depth, refill, grain : Tensor of shape (B, 1, 1)
        Blur and thickness of the rim in pixels; how dark the rim is, in grey levels; the share of it that is
        missing inside the rim; grain in grey levels.
    """

    ellipses: Tensor
    blur: Tensor
    thickness: Tensor
    depth: Tensor
    refill: Tensor
    grain: Tensor

    def read(self, frames: Tensor, generator: torch.Generator) -> Tensor:
        """Grey values (B, N_RAYS, len(RIM_RHO)) in frames (B, 5)."""
        rho = torch.as_tensor(RIM_RHO, dtype=torch.float32, device=frames.device)
        points = place(frames, rho.expand(len(frames), N_RAYS, len(rho)))
        distance, bend = self._measure(points)
        inner_bend = bend / (1 - bend * self.thickness).clamp_min(0.2)
        inside = self._blurred(distance, bend)
        inside_rim = self._blurred(distance + self.thickness, inner_bend)
        grey = 200 - self.depth * (inside - self.refill * inside_rim)
        noise = torch.randn(grey.shape, device=frames.device, generator=generator)
        return (grey + noise * self.grain).clamp(0, 255)

    def _measure(self, points: Tensor) -> tuple[Tensor, Tensor]:
        """Pixels from the edge, to first order, below 0 inside; and the edge's curvature there."""
        cx, cy, length, width, turn = (column.reshape(-1, 1, 1) for column in self.ellipses.unbind(1))
        x, y = points[..., 0] - cx, points[..., 1] - cy
        u, v = x * turn.cos() + y * turn.sin(), y * turn.cos() - x * turn.sin()
        u, v = 2 * u / length, 2 * v / width
        reach = torch.hypot(u, v).clamp_min(1e-3)
        slope = torch.hypot(2 * u / length, 2 * v / width) / reach
        speed = torch.hypot(length * v, width * u) / (2 * reach)
        return (reach - 1) / slope.clamp_min(1e-6), length * width / 4 / speed.clamp_min(1e-3) ** 3

    def _blurred(self, distance: Tensor, bend: Tensor) -> Tensor:
        """Share of the form at each point; blur pulls a curved edge inward by about sigma² / (2 r)."""
        return torch.special.ndtr(-(distance + 0.5 * bend * self.blur**2) / self.blur)


def draw_shapes(n: int, forms: PlainForms, generator: torch.Generator) -> PlainShapes:
    """`n` shapes, on the device of the generator; small ones as often as large ones."""
    device = generator.device

    def even(low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(n, device=device, generator=generator)

    width = even(*(math.log(side) for side in forms.width_px)).exp()
    length = width * even(1.0, forms.most_aspect)
    nowhere = torch.zeros(n, device=device)
    blur = even(*forms.blur_px) + even(0, 1) ** 2 * forms.blur_of_width * width
    thickness = even(0.06, 0.5) * width
    refill = even(0, 1) * (even(0, 1) < 0.6)
    each = (blur, thickness, even(20, 120), refill, even(0.2, 6))
    ellipses = torch.stack([nowhere, nowhere, length, width, even(-math.pi / 2, math.pi / 2)], dim=1)
    return PlainShapes(ellipses, *(column.reshape(-1, 1, 1) for column in each))
