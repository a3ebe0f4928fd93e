"""What the microscope makes of the material: partially coherent, colour by colour, slab by slab.

References
----------
Weak-object transfer functions, from memory: N. Streibl, "Phase imaging by the transport equation of
intensity", Opt. Commun. 49 (1984) 6-10, and E. D. Barone-Nugent, A. Barty, K. A. Nugent, "Quantitative
phase-amplitude microscopy I", J. Microsc. 206 (2002) 194-203. For an object exp(-d/2 + i phi) seen at
defocus z, the spectrum of the intensity is 1 - d cos(pi lambda z f²) + 2 phi sin(pi lambda z f²).
A condenser cone of aperture NA_c spreads each point over a disc of radius z NA_c, which damps both terms
by the transform of that disc; 2 J1(x) / x is taken as exp(-x² / 8), x = 2 pi z NA_c f. The sharpness in
focus is that of two overlapping discs (the incoherent transfer function), cut off at
(NA + NA_c) / lambda. A prism of slope s turns the cone by s; what then misses the objective is lost
(geometric schlieren), which draws dark lines where the path rises steeply, in focus as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from training.synthesize.canvas import SLABS, Canvas
from training.synthesize.transfer import constant

WAVELENGTHS_UM = (0.61, 0.54, 0.46)
_BRIGHTEST, _DARKEST = 0.45, 1.0
_MOST_LOST = 1.5


@dataclass(frozen=True)
class Optics:
    """One microscope setting; the defaults are sharp and show absorption only.

    Attributes
    ----------
    na, condenser_na : float
        Numerical apertures of objective and condenser.
    slab_z_um : tuple of float
        Height of each depth slab over the plane of focus, in µm.
    colour_z_um : tuple of float
        Shift of focus for red, green and blue.
    oblique_xy : tuple of float
        Shading by a decentred condenser: brightening for a path that rises by 1 µm in 1 µm.
    schlieren : float
        Share of the light lost at steep slopes, 0 to 1.
    """

    na: float = 0.4
    condenser_na: float = 0.25
    slab_z_um: tuple[float, ...] = (0.0, 0.0, 0.0)
    colour_z_um: tuple[float, ...] = (0.0, 0.0, 0.0)
    oblique_xy: tuple[float, ...] = (0.0, 0.0)
    schlieren: float = 0.0


def form_image(canvas: Canvas, optics: dict[str, Tensor]) -> Tensor:
    """Log of the relative intensity (B, 3, H, W) at the sensor; 0 where nothing stands in the light.

    Parameters
    ----------
    canvas : Canvas
    optics : dict of Tensor
        The fields of `Optics`, one row a tile.

    Notes
    -----
    The weak-object terms are exact to first order. Strong phase would overshoot, so the phase term is
    bent: it brightens at most to exp(0.45) and darkens at most to exp(-1.0).
    """
    frequency_x, frequency_y = _frequencies(canvas)
    shadow, shine = _filter(canvas, optics, frequency_x, frequency_y)
    shape = tuple(canvas.planes.shape[-2:])
    return _bend(torch.fft.irfft2(shine, s=shape)) - torch.fft.irfft2(shadow, s=shape)


def _frequencies(canvas: Canvas) -> tuple[Tensor, Tensor]:
    """Cycles per µm along x (B, 1, 1, W') and y (B, 1, H, 1)."""
    height, width = canvas.planes.shape[-2:]
    scale = canvas.um_per_px[:, None]
    x = torch.fft.rfftfreq(width, device=scale.device) / scale
    y = torch.fft.fftfreq(height, device=scale.device) / scale
    return x[:, None, None, :], y[:, None, :, None]


def _filter(canvas: Canvas, optics: dict[str, Tensor], fx: Tensor, fy: Tensor) -> tuple[Tensor, Tensor]:
    """Spectra (B, 3, H, W') of the absorption and of the phase term, summed over the slabs."""
    squared = fx**2 + fy**2
    wavelength = constant(WAVELENGTHS_UM, fx.device)[None, :, None, None]
    aperture = _per_tile(optics["na"] + optics["condenser_na"])
    sharpness = _two_discs(squared.sqrt() * wavelength / aperture)
    tilt = fx * _per_tile(optics["oblique_xy"][:, 0]) + fy * _per_tile(optics["oblique_xy"][:, 1])
    shadow = torch.zeros((), device=fx.device)
    shine = torch.zeros((), device=fx.device)
    for slab in range(SLABS):
        path = canvas.planes[3, :, slab]
        lost = _lost_light(path, canvas.um_per_px, optics)
        absorbed = torch.fft.rfft2((canvas.planes[:3, :, slab] + lost).transpose(0, 1))
        bent = torch.fft.rfft2(path)[:, None] * (2 * torch.pi / wavelength)
        z = (optics["slab_z_um"][:, slab, None] + optics["colour_z_um"])[:, :, None, None]
        blur = sharpness * torch.exp(-0.5 * (torch.pi * z * _per_tile(optics["condenser_na"])) ** 2 * squared)
        turn = torch.pi * wavelength * z * squared
        shadow = shadow + blur * torch.cos(turn) * absorbed
        shine = shine + blur * (2 * torch.sin(turn) + 1j * wavelength * tilt) * bent
    return shadow, shine


def _per_tile(values: Tensor) -> Tensor:
    return values[:, None, None, None]


def _two_discs(share: Tensor) -> Tensor:
    """Overlap of two discs of unit diameter whose centres stand `share` apart: 1 at 0, 0 from 1 on."""
    share = share.clamp(max=1.0)
    return 2 / torch.pi * (torch.acos(share) - share * torch.sqrt(1 - share**2))


def _lost_light(path: Tensor, um_per_px: Tensor, optics: dict[str, Tensor]) -> Tensor:
    """Density (B, H, W) of the light that steep slopes throw past the objective."""
    rise_x = torch.roll(path, -1, -1) - torch.roll(path, 1, -1)
    rise_y = torch.roll(path, -1, -2) - torch.roll(path, 1, -2)
    slope = torch.hypot(rise_x, rise_y) / (2 * um_per_px)[:, None, None]
    na, cone = optics["na"][:, None, None], optics["condenser_na"][:, None, None]
    missed = ((slope - (na - cone).clamp(min=0.02)) / (2 * torch.minimum(na, cone))).clamp(0, 1)
    return _MOST_LOST * optics["schlieren"][:, None, None] * missed


def _bend(shine: Tensor) -> Tensor:
    """The phase term kept within what real halos show; slope 1 at 0."""
    limit = torch.where(shine > 0, _BRIGHTEST, _DARKEST)
    return limit * torch.tanh(shine / limit)
