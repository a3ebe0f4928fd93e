"""Grey values around drawn rims, as the network that reads rims sees them while it learns."""

from __future__ import annotations

import torch
from torch import Tensor

from training.rim_drawings import Rims
from training.rim_frames import place
from training.rim_strata import label_strata
from triage.rim_frame import N_RAYS, RIM_RHO


class Reader:
    """Reads rims of drawn pictures that lie on a device."""

    def __init__(self, rims: Rims, device: torch.device) -> None:
        self.pictures = torch.from_numpy(rims.pictures).to(device)
        self.picture_of = torch.from_numpy(rims.picture_of).to(device)
        self.outlines = torch.from_numpy(rims.outlines).to(device)
        self.ellipses = torch.from_numpy(rims.ellipses).to(device)
        self.searched = torch.from_numpy(rims.searched).to(device)
        self.strata = torch.from_numpy(label_strata(rims.groups, rims.kinds, rims.focus_depths)).to(device)

    def read(self, rows: Tensor, frames: Tensor, halve: Tensor) -> Tensor:
        """Grey values (B, N_RAYS, len(RIM_RHO)); where `halve`, of a copy of half as many pixels a side."""
        rho = torch.as_tensor(RIM_RHO, dtype=torch.float32, device=frames.device)
        points = place(frames, rho.expand(len(frames), N_RAYS, len(rho)))
        seen = self._look_up(rows, points - 0.5)
        if bool(halve.any()):
            some, at = rows[halve], points[halve] - 1.0
            quarters = [
                self._look_up(some, at, step=2, right=right, down=down) for right in (0, 1) for down in (0, 1)
            ]
            seen[halve] = torch.stack(quarters).mean(dim=0)
        return seen

    def _look_up(self, rows: Tensor, points: Tensor, step: int = 1, right: int = 0, down: int = 0) -> Tensor:
        """Brightness by linear interpolation between every `step`-th pixel from `right`, `down` on."""
        height, width = self.pictures.shape[1:]
        x = (points[..., 0] / step).clamp(0, width // step - 1.001)
        y = (points[..., 1] / step).clamp(0, height // step - 1.001)
        left, top = x.floor(), y.floor()
        to_right, to_below = x - left, y - top
        first = self.picture_of[rows].reshape(-1, 1, 1) * (height * width) + down * width + right
        at = first + (top.long() * width + left.long()) * step
        flat = self.pictures.reshape(-1)
        below = width * step
        upper = flat[at].float() * (1 - to_right) + flat[at + step].float() * to_right
        lower = flat[at + below].float() * (1 - to_right) + flat[at + below + step].float() * to_right
        return upper * (1 - to_below) + lower * to_below


def mirror(rims: Tensor, radii: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """Rims and what is to be read of them as they are, mirrored along or across, or turned by half."""
    rays = torch.arange(N_RAYS, device=rims.device)
    half = N_RAYS // 2
    orders = torch.stack([rays, -rays, half - rays, half + rays]) % N_RAYS
    order = orders[torch.randint(len(orders), (len(rims),), device=rims.device, generator=generator)]
    return rims.gather(1, order[:, :, None].expand_as(rims)), radii.gather(1, order)


def look_otherwise(rims: Tensor, generator: torch.Generator) -> Tensor:
    """The same rims in other light: gamma, grain, now and then bright on dark."""
    n, device = len(rims), rims.device

    def even(low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(n, 1, 1, device=device, generator=generator)

    seen = 255 * (rims.clamp_min(0) / 255) ** torch.exp(even(-0.4, 0.4))
    seen = torch.where(even(0, 1) < 0.06, 255 - seen, seen)
    grain = torch.randn(seen.shape, device=device, generator=generator)
    return (seen + grain * 3 * even(0, 1) ** 3).clamp(0, 255)
