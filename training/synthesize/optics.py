"""What the microscope makes of the material: partially coherent, colour by colour, slab by slab.

What bends light is drawn by rays, which hold for strong phase (`training.synthesize.rays`). What absorbs it,
and by how much diffraction and colour change what faint material bends, is drawn by transfer functions.

References
----------
Weak-object transfer functions, from memory: N. Streibl, "Phase imaging by the transport equation of
intensity", Opt. Commun. 49 (1984) 6-10, and E. D. Barone-Nugent, A. Barty, K. A. Nugent, "Quantitative
phase-amplitude microscopy I", J. Microsc. 206 (2002) 194-203. For an object exp(-d/2 + i phi) seen in a plane
z behind it, the spectrum of the intensity is 1 - d cos(pi lambda z f²) + 2 phi sin(pi lambda z f²). Light
comes from below, so that what lies above the focus is seen in a plane before it: there the middle of a dense
body is dark, and below the focus it is bright (Becke's line; textbooks of optical mineralogy, from memory).
A condenser cone of aperture NA_c spreads each point over a disc of radius z NA_c, which damps all terms
by the transform of that disc; 2 J1(x) / x is taken as exp(-x² / 8), x = 2 pi z NA_c f. The sharpness in
focus is that of two overlapping discs (the incoherent transfer function), cut off at
(NA + NA_c) / lambda.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from training.synthesize.canvas import SLABS, Canvas
from training.synthesize.rays import bending_of_rays, spread_of_rays, trace_rays
from training.synthesize.transfer import constant

WAVELENGTHS_UM = (0.61, 0.54, 0.46)
_GREEN = 1
_BRIGHTEST, _DARKEST = 0.45, 2.5
_LEAST_LIGHT = 0.02
_MOST_FRINGE = 0.15
"""Log intensity by which diffraction and colour change at most what rays draw."""


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
    For faint material the sum is that of the weak-object terms, exact to first order. Rays are traced for
    green; what diffraction and the other colours change is added up to a bound, as it is known for faint
    material only. All that is bent brightens at most to exp(0.45), as real halos do.
    """
    blurs = _blur(canvas, optics)
    shape = tuple(canvas.planes.shape[-2:])
    bent = torch.zeros((), device=canvas.planes.device)
    for slab, blur in enumerate(blurs):
        rays = torch.fft.irfft2(_gather_rays(canvas, slab, optics, blur), s=shape)
        bent = bent + rays.clamp_(min=_LEAST_LIGHT).log_()[:, None]
    shadow, fringe = (torch.fft.irfft2(each, s=shape) for each in _filter(canvas, optics, blurs))
    return _bend(bent + _MOST_FRINGE * torch.tanh(fringe / _MOST_FRINGE)) - shadow


def _frequencies(canvas: Canvas) -> tuple[Tensor, Tensor]:
    """Cycles per pixel along x (W',) and y (H, 1)."""
    height, width = canvas.planes.shape[-2:]
    device = canvas.planes.device
    return torch.fft.rfftfreq(width, device=device), torch.fft.fftfreq(height, device=device)[:, None]


def _squared_frequency(canvas: Canvas) -> Tensor:
    """Squared cycles per µm, (B, 1, H, W')."""
    fx, fy = _frequencies(canvas)
    return (fx**2 + fy**2) / _per_tile(canvas.um_per_px) ** 2


def _heights(optics: dict[str, Tensor]) -> Tensor:
    """Height of each slab over the plane of focus of each colour, (B, SLABS, 3)."""
    return optics["slab_z_um"][:, :, None] + optics["colour_z_um"][:, None, :]


def _blur(canvas: Canvas, optics: dict[str, Tensor]) -> list[Tensor]:
    """Transfer (B, 3, H, W') of the lens and the cone for each slab."""
    squared = _squared_frequency(canvas)
    aperture = _per_tile(optics["na"] + optics["condenser_na"])
    sharpness = _two_discs(squared.sqrt() * _wavelengths(canvas) / aperture)
    spread = -0.5 * (torch.pi * _heights(optics) * optics["condenser_na"][:, None, None]) ** 2
    return [sharpness * torch.exp(spread[:, slab, :, None, None] * squared) for slab in range(SLABS)]


def _wavelengths(canvas: Canvas) -> Tensor:
    return constant(WAVELENGTHS_UM, canvas.planes.device)[:, None, None]


def _gather_rays(canvas: Canvas, slab: int, optics: dict[str, Tensor], blur: Tensor) -> Tensor:
    """Spectrum (B, H, W') of the light that one slab alone lets through to green's focus."""
    fx, fy = _frequencies(canvas)
    traced = torch.fft.rfft2(trace_rays(canvas, slab, optics, -_heights(optics)[:, slab, _GREEN]))
    from_corners = torch.exp(-1j * torch.pi * (fx + fy)) / (spread_of_rays(fx) * spread_of_rays(fy))
    return traced.mul_(blur[:, _GREEN]).mul_(from_corners)


def _filter(canvas: Canvas, optics: dict[str, Tensor], blurs: list[Tensor]) -> tuple[Tensor, Tensor]:
    """Spectra (B, 3, H, W'), summed over the slabs, of the absorption and of what rays lack."""
    fx, fy = _frequencies(canvas)
    traced = bending_of_rays(fx, fy) / _per_tile(canvas.um_per_px) ** 2
    squared, wavelength = _squared_frequency(canvas), _wavelengths(canvas)
    behind = -_heights(optics)[..., None, None]
    shadow = torch.zeros((), device=fx.device)
    fringe = torch.zeros((), device=fx.device)
    for slab, blur in enumerate(blurs):
        spectrum = torch.fft.rfft2(canvas.planes[:, :, slab])
        turn = torch.pi * wavelength * behind[:, slab] * squared
        by_rays = blur[:, _GREEN, None] * behind[:, slab, _GREEN, None] * traced
        lacking = (blur * torch.sin(turn)).mul_(4 * torch.pi / wavelength).sub_(by_rays)
        shadow = shadow + (blur * torch.cos(turn)) * spectrum[:3].transpose(0, 1)
        fringe = fringe + lacking * spectrum[3][:, None]
    return shadow, fringe


def _per_tile(values: Tensor) -> Tensor:
    return values[:, None, None, None]


def _two_discs(share: Tensor) -> Tensor:
    """Overlap of two discs of unit diameter whose centres stand `share` apart: 1 at 0, 0 from 1 on."""
    share = share.clamp(max=1.0)
    return 2 / torch.pi * (torch.acos(share) - share * torch.sqrt(1 - share**2))


def _bend(shine: Tensor) -> Tensor:
    """The phase term kept within what real halos show; slope 1 at 0."""
    limit = torch.where(shine > 0, _BRIGHTEST, _DARKEST)
    return limit * torch.tanh(shine / limit)
