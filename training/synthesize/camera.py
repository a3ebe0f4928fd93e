"""From light to the stored picture: lamp, vignette, colour, lens, grain, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from training.synthesize.jpeg import squeeze
from training.synthesize.marks import print_marks
from training.synthesize.noise import hash_normal
from training.synthesize.transfer import constant


@dataclass(frozen=True)
class Light:
    """What an empty place looks like; the defaults are even and light grey.

    Attributes
    ----------
    colour : tuple of float
        Red, green and blue of the empty field, 0 to 1.
    contrast : float
        Exponent on the relative intensity.
    stain : tuple of float
        Density in red, green and blue that one µm of path adds (iodine, eosin and so on).
    tint : tuple of float
        Factor on the density of red, green and blue.
    slope_xy : tuple of float
        Brightening across the picture's longer half-side.
    vignette, vignette_xy : float, tuple of float
        Share of light lost one half-diagonal from the centre; its centre as a share of the picture.
    eyepiece : tuple of float
        Centre x, y, radius and softness of the eyepiece's round edge, in pixels; radius 0 is none.
    """

    colour: tuple[float, ...] = (0.85, 0.85, 0.85)
    contrast: float = 1.0
    stain: tuple[float, ...] = (0.0, 0.0, 0.0)
    tint: tuple[float, ...] = (1.0, 1.0, 1.0)
    slope_xy: tuple[float, ...] = (0.0, 0.0)
    vignette: float = 0.0
    vignette_xy: tuple[float, ...] = (0.5, 0.5)
    eyepiece: tuple[float, ...] = (0.0, 0.0, 0.0, 1.0)


@dataclass(frozen=True)
class Camera:
    """How the picture is taken and stored; the defaults change nothing.

    Attributes
    ----------
    blur_px : float
        Deviation of the lens' and sensor's blur.
    sharpen, sharpen_px : float
        Strength and radius of the sharpening.
    colour_shift_xy : tuple of float
        Sideways shift of red (and, mirrored, of blue) in pixels.
    grain, coarse_grain : float
        Deviation of the noise added before and after the blur, of the full range.
    saturation : float
        1 leaves the colours.
    jpeg_quality : float
        1 to 100; above 100 is not compressed.
    jpeg_shift_xy : tuple of float
        Start of the 8 x 8 blocks.
    """

    blur_px: float = 0.0
    sharpen: float = 0.0
    sharpen_px: float = 1.5
    colour_shift_xy: tuple[float, ...] = (0.0, 0.0)
    grain: float = 0.0
    coarse_grain: float = 0.0
    saturation: float = 1.0
    jpeg_quality: float = 101.0
    jpeg_shift_xy: tuple[float, ...] = (0.0, 0.0)


def light_up(log_intensity: Tensor, light: dict[str, Tensor]) -> Tensor:
    """Colour (B, 3, H, W), 0 to 1 and above, of the lit slide."""
    lamp = _per_colour(light["colour"]) * _lamp(log_intensity.shape[-2:], light)[:, None]
    return lamp * torch.exp(log_intensity * light["contrast"][:, None, None, None])


def _per_colour(values: Tensor) -> Tensor:
    return values[:, :, None, None]


def _lamp(shape_hw: tuple[int, int] | torch.Size, light: dict[str, Tensor]) -> Tensor:
    """Unevenness of the lamp and the round edge of the eyepiece, (B, H, W)."""
    height, width = shape_hw
    device = light["vignette"].device
    y = torch.arange(height, device=device)[None, :, None] + 0.5
    x = torch.arange(width, device=device)[None, None, :] + 0.5
    half = max(height, width) / 2
    slope = light["slope_xy"][:, :, None, None]
    even = 1 + slope[:, 0] * (x - width / 2) / half + slope[:, 1] * (y - height / 2) / half
    centre = light["vignette_xy"][:, :, None, None]
    off_centre = (
        ((x - centre[:, 0] * width) ** 2 + (y - centre[:, 1] * height) ** 2) / (height**2 + width**2) * 4
    )
    lamp = even * (1 - light["vignette"][:, None, None] * off_centre).clamp(min=0.05)
    round_x, round_y, radius, softness = light["eyepiece"][:, :, None, None].unbind(1)
    inside = radius - torch.hypot(x - round_x, y - round_y)
    return torch.where(radius > 0, lamp * torch.sigmoid(inside / softness), lamp)


def take_picture(
    scene_light: Tensor, camera: dict[str, Tensor], marks: dict[str, Tensor], keys: Tensor
) -> Tensor:
    """The stored picture, uint8 (B, 3, H, W), with its printed marks; `keys` (B,) seed the grain."""
    shape = tuple(scene_light.shape[1:])
    noise = hash_normal(keys, shape)
    picture = scene_light.clamp(0, 1.6) + camera["grain"][:, None, None, None] * noise
    picture = _through_lens(picture, camera)
    # The same numbers, one place further, serve as the noise behind the lens.
    picture = picture + camera["coarse_grain"][:, None, None, None] * torch.roll(noise, (5, 3), (-2, -1))
    grey = picture.mean(dim=1, keepdim=True)
    picture = (grey + camera["saturation"][:, None, None, None] * (picture - grey)).clamp(0, 1)
    picture = print_marks(picture, marks)
    picture = squeeze(picture * 255, camera["jpeg_quality"], camera["jpeg_shift_xy"])
    return picture.round().clamp(0, 255).to(torch.uint8)


def _through_lens(picture: Tensor, camera: dict[str, Tensor]) -> Tensor:
    """Blur, sharpening and sideways colour error as one transfer function, on a mirrored border."""
    height, width = picture.shape[-2:]
    border = min(16, height - 1, width - 1)
    padded = torch.nn.functional.pad(picture, (border,) * 4, mode="reflect") if border else picture
    rows = torch.fft.fftfreq(padded.shape[-2], device=picture.device)[None, None, :, None]
    columns = torch.fft.rfftfreq(padded.shape[-1], device=picture.device)[None, None, None, :]
    squared = rows**2 + columns**2

    def gaussian(deviation_px: Tensor) -> Tensor:
        return torch.exp(-2 * (torch.pi * deviation_px[:, None, None, None]) ** 2 * squared)

    transfer = gaussian(camera["blur_px"]) * (
        1 + camera["sharpen"][:, None, None, None] * (1 - gaussian(camera["sharpen_px"]))
    )
    order = constant((1.0, 0.0, -1.0), picture.device)[None, :, None, None]
    shift_x, shift_y = camera["colour_shift_xy"][:, :, None, None, None].unbind(1)
    turn = torch.exp(-2j * torch.pi * order * (columns * shift_x + rows * shift_y))
    seen = torch.fft.irfft2(torch.fft.rfft2(padded) * transfer * turn, s=tuple(padded.shape[-2:]))
    return seen[..., border : border + height, border : border + width]
