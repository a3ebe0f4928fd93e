"""Endless drawn tiles for training, made where they are used."""

from __future__ import annotations

import torch
from torch import Tensor

from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.stock import StockSource, draw_stock
from training.synthesize.style import TRAINING, Style
from training.synthesize.truth import TileTruth

TILES_AT_ONCE = 64
"""Drawn together; tiles do not depend on it, the memory taken grows with it."""


def draw_batch(
    seed: int,
    *,
    n: int,
    tile_px: int,
    first: int = 0,
    device: torch.device | str = "cpu",
    style: Style = TRAINING,
    stocks: StockSource = draw_stock,
) -> tuple[Tensor, list[TileTruth]]:
    """`n` tiles of the series `seed`, from number `first` on, and their truth.

    Parameters
    ----------
    seed : int
        Same seed, same tiles; tile i is the same whatever `n` is.
    n : int
    tile_px : int
        Side of a tile.
    first : int
        Number of the first tile.
    device : torch.device or str
    style : Style
    stocks : callable, optional
        Where the objects come from; drawn on the spot when left out.

    Returns
    -------
    tiles : Tensor of shape (n, 3, tile_px, tile_px), uint8, on `device`
    truths : list of TileTruth
        Boxes are clipped to the tile, ellipses are whole; `visible` says how much of each object shows.
    """
    scenes = [
        draw_scene(seed, index, style, (tile_px, tile_px), stocks=stocks) for index in range(first, first + n)
    ]
    parts = [
        render_scenes(scenes[start : start + TILES_AT_ONCE], device)
        for start in range(0, len(scenes), TILES_AT_ONCE)
    ]
    return torch.cat([tiles for tiles, _ in parts]), [truth for _, truths in parts for truth in truths]
