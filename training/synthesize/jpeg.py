"""What JPEG compression does to a picture, less the entropy coding: whole batches at once, on any device.

References
----------
The 8 x 8 cosine transform and the two example tables are those of ITU-T T.81 (1992), Annex A.3.3 and
Annex K (Tables K.1 and K.2); the scaling by a quality number is the Independent JPEG Group's (from memory).
"""

from __future__ import annotations

from functools import cache

import torch
from torch import Tensor

from training.synthesize.transfer import constant

_BRIGHTNESS = (
    "16 11 10 16 24 40 51 61 12 12 14 19 26 58 60 55 14 13 16 24 40 57 69 56 14 17 22 29 51 87 80 62 "
    "18 22 37 56 68 109 103 77 24 35 55 64 81 104 113 92 49 64 78 87 103 121 120 101 "
    "72 92 95 98 112 100 103 99"
)
_COLOUR = (
    "17 18 24 47 99 99 99 99 18 21 26 66 99 99 99 99 24 26 56 99 99 99 99 99 47 66 99 99 99 99 99 99 "
    "99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99"
)
_TO_YCC = ((0.299, 0.587, 0.114), (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312))
_TO_RGB = ((1.0, 0.0, 1.402), (1.0, -0.344136, -0.714136), (1.0, 1.772, 0.0))


def squeeze(picture: Tensor, quality: Tensor, shift_xy: Tensor) -> Tensor:
    """`picture` (B, 3, H, W), 0 to 255, as it comes back from JPEG at each tile's `quality` (B,).

    Tiles of quality above 100 come back unchanged. `shift_xy` (B, 2) moves the block grid.
    """
    tiles = torch.nonzero(quality <= 100)[:, 0]
    if not len(tiles):
        return picture
    height, width = picture.shape[-2:]
    chosen = _roll(picture[tiles], shift_xy[tiles])
    padded = torch.nn.functional.pad(chosen, (0, -width % 16, 0, -height % 16), mode="replicate")
    colours = torch.einsum("dc,nchw->ndhw", constant(_TO_YCC, picture.device), padded)
    brightness = _quantise(colours[:, :1] - 128, _steps(_BRIGHTNESS, quality[tiles])) + 128
    halved = torch.nn.functional.avg_pool2d(colours[:, 1:], 2)
    chroma = _quantise(halved, _steps(_COLOUR, quality[tiles]))
    chroma = torch.nn.functional.interpolate(chroma, scale_factor=2.0, mode="bilinear", align_corners=False)
    colours = torch.cat([brightness, chroma], dim=1)
    back = torch.einsum("dc,nchw->ndhw", constant(_TO_RGB, picture.device), colours)
    result = picture.clone()
    result[tiles] = _roll(back[..., :height, :width], -shift_xy[tiles])
    return result


def _roll(picture: Tensor, shift_xy: Tensor) -> Tensor:
    """Each tile rolled by its own whole number of pixels."""
    height, width = picture.shape[-2:]
    shift = shift_xy.long()
    rows = (torch.arange(height, device=picture.device)[None] - shift[:, 1:]) % height
    columns = (torch.arange(width, device=picture.device)[None] - shift[:, :1]) % width
    tiles = torch.arange(len(picture), device=picture.device)
    return picture[tiles[:, None, None], :, rows[:, :, None], columns[:, None, :]].permute(0, 3, 1, 2)


def _steps(table: str, quality: Tensor) -> Tensor:
    """Quantisation steps (B, 8, 8)."""
    base = constant(tuple(map(float, table.split())), quality.device).reshape(8, 8)
    quality = quality.clamp(1, 100)
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality)[:, None, None]
    return torch.floor((base * scale + 50) / 100).clamp(1, 255)


@cache
def _cosines(device: torch.device) -> Tensor:
    order = torch.arange(8.0)[:, None]
    place = torch.arange(8.0)[None, :]
    rows = torch.cos((2 * place + 1) * order * torch.pi / 16) / 2
    rows[0] /= 2**0.5
    return rows.to(device)


def _quantise(planes: Tensor, steps: Tensor) -> Tensor:
    count, channels, height, width = planes.shape
    cosines = _cosines(planes.device)
    blocks = planes.reshape(count, channels, height // 8, 8, width // 8, 8).transpose(3, 4)
    spectrum = cosines @ blocks @ cosines.T
    steps = steps[:, None, None, None]
    back = cosines.T @ (torch.round(spectrum / steps) * steps) @ cosines
    return back.transpose(3, 4).reshape(count, channels, height, width)
