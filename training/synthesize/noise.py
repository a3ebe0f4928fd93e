"""Randomness that a place in a tile owns: the same whatever the batch, the device or the order of drawing."""

from __future__ import annotations

from functools import cache

import torch
from torch import Tensor

from training.synthesize.material import sample_plane

TEXTURE_CHANNELS = 8
TEXTURE_SIZE = 512
TABLE_SIZE = 256
_MASK = 0xFFFFFFFF


@cache
def make_texture(device: torch.device) -> Tensor:
    """Tileable smooth noise (C, T + 1, T + 1) of zero mean and unit deviation, one octave a channel.

    The first row and column are repeated behind the last ones.
    """
    generator = torch.Generator().manual_seed(20_250_101)
    white = torch.randn(TEXTURE_CHANNELS, TEXTURE_SIZE, TEXTURE_SIZE, generator=generator)
    rows = torch.fft.fftfreq(TEXTURE_SIZE, 1 / TEXTURE_SIZE)
    columns = torch.fft.rfftfreq(TEXTURE_SIZE, 1 / TEXTURE_SIZE)
    frequency = torch.hypot(rows[:, None], columns[None, :])
    centre = torch.tensor([max(1.0, 2.0**channel / 2) for channel in range(TEXTURE_CHANNELS)])[:, None, None]
    octave = torch.exp(-0.5 * (torch.log2(frequency.clamp(min=1e-3) / centre) / 0.5) ** 2)
    planes = torch.fft.irfft2(torch.fft.rfft2(white) * octave, s=(TEXTURE_SIZE, TEXTURE_SIZE))
    planes = planes / planes.std(dim=(1, 2), keepdim=True)
    return torch.nn.functional.pad(planes, (0, 1, 0, 1), mode="circular").to(device)


@cache
def make_table(device: torch.device) -> Tensor:
    """Five uniform numbers for each of 256 x 256 lattice cells, (5, 65536)."""
    generator = torch.Generator().manual_seed(20_250_102)
    return torch.rand(5, TABLE_SIZE * TABLE_SIZE, generator=generator).to(device)


def fractal(texture: Tensor, x: Tensor, y: Tensor, octaves: int = 5, roughness: float = 0.55) -> Tensor:
    """Cloud-like noise of about unit deviation at `x`, `y` (in cells of the coarsest octave)."""
    total = torch.zeros_like(x)
    power, weight, scale = 0.0, 1.0, 1.0
    for octave in range(octaves):
        shift = 17.17 * octave
        step = TEXTURE_SIZE / 16
        total = total + weight * sample_plane(
            texture[4], (x * scale + shift) * step, (y * scale + shift) * step
        )
        power += weight * weight
        weight *= roughness
        scale *= 2.03
    return total / power**0.5


def _mix(state: Tensor) -> Tensor:
    """One round of a 32-bit integer hash, held in int64."""
    state = ((state ^ (state >> 16)) * 0x7FEB352D) & _MASK
    state = ((state ^ (state >> 15)) * 0x846CA68B) & _MASK
    return state ^ (state >> 16)


def hash_normal(keys: Tensor, shape: tuple[int, int, int]) -> Tensor:
    """Normal noise (B, C, H, W) that depends on each tile's key and on the place alone.

    The 32-bit mixing constants are Chris Wellons' `lowbias32` (from memory); each pair of numbers
    becomes two normal ones by the Box-Muller transform.
    """
    channels, height, width = shape
    half = -(-channels * height * width // 2)
    counter = torch.arange(half, device=keys.device)
    state = _mix((counter * 2 + keys[:, None] * 0x9E3779B1) & _MASK)
    other = _mix(state + 0x68BC21EB & _MASK)
    radius = torch.sqrt(-2 * torch.log((state.float() + 1.0) / 2.0**32))
    turn = other.float() * (2 * torch.pi / 2.0**32)
    both = torch.cat([radius * torch.cos(turn), radius * torch.sin(turn)], dim=1)
    return both[:, : channels * height * width].reshape(-1, channels, height, width)
