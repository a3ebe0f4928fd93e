"""Drawn tiles that trainings side by side share, in a file: drawn once, not by each of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from training.dataset import MarkedPicture, MarkedPictures
from training.drawn import DrawBatch
from training.held_out import draw_held_out
from training.parallel import choose_device
from training.settings import Settings
from training.supply import Given, count_drawn, draw_few
from training.targets import Batch

TILES_FILE = "tiles.pt"
_DIVISIBLE_BY = 32
"""What the network asks of a side."""
_HELD_OUT_PICTURES = 8
"""Enough for a record's losses; what a training found is judged on more."""


def save_tiles(settings: Settings, draw: DrawBatch, held_out: Sequence[Batch] | None = None) -> Path:
    """Drawn tiles that trainings share, against forgetting and for their held-out losses, in a file.

    Parameters
    ----------
    settings : Settings
        Of the trainings.
    draw : callable
        What draws tiles.
    held_out : sequence of (tiles, targets), optional
        Taken for the losses instead of drawing some.
    """
    path = settings.out / TILES_FILE
    device = choose_device(settings.draw_device or settings.device)
    n_drawn = count_drawn(settings)
    tiles = {
        "drawn": draw_few(settings, n_drawn, device, draw) if n_drawn else [],
        "held_out": list(draw_held_out(settings, device, draw) if held_out is None else held_out),
    }
    settings.out.mkdir(parents=True, exist_ok=True)
    torch.save(tiles, path)
    return path


def give(pictures: Sequence[MarkedPicture], tiles: Path) -> Given:
    """What a training learns: the pictures, beside tiles that `save_tiles` wrote."""
    shared: dict[str, list[Batch]] = torch.load(tiles, weights_only=True)
    return Given(pictures, shared["drawn"] or None, shared["held_out"])


def find_tiles(settings: Settings, draw: DrawBatch, pictures: Sequence[MarkedPicture]) -> Path:
    """The file that `save_tiles` wrote; where there is none it is written now, the first pictures held out.

    Parameters
    ----------
    settings, draw
        As `save_tiles` takes them.
    pictures : sequence of MarkedPicture
        All of one size, and learnt by no training.
    """
    path = settings.out / TILES_FILE
    if path.is_file():
        return path
    some = [MarkedPictures(pictures)[index] for index in range(min(len(pictures), _HELD_OUT_PICTURES))]
    batch = torch.stack([_fill(pixels) for pixels, _ in some]), [target for _, target in some]
    return save_tiles(settings, draw, [batch])


def _fill(pixels: Tensor) -> Tensor:
    """Pixels (3, H, W) with their last row and column repeated, until halving five times leaves no rest."""
    bottom, right = (-side % _DIVISIBLE_BY for side in pixels.shape[1:])
    return torch.from_numpy(np.pad(pixels.numpy(), ((0, 0), (0, bottom), (0, right)), mode="edge"))
