"""Drawn tiles that were never trained on, and what a network makes of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import Any

import torch
from torch import Tensor

from training.cut import judge_tiles
from training.drawn import DrawBatch, DrawnBatches, prefetch
from training.engine import evaluate
from training.settings import Settings, served_tile_px
from training.targets import Batch
from triage.groups import candidate_groups
from triage.network import CentrePointNetwork

HELD_OUT_SEED = 900_000_000
"""Held-out tiles are drawn from seeds that no training run reaches."""


def draw_held_out(settings: Settings, device: torch.device, draw: DrawBatch) -> Iterable[Batch]:
    """Drawn batches that were never trained on."""
    held_out = DrawnBatches(
        0,
        n_batches=settings.held_out,
        n_tiles=settings.batch,
        tile_px=served_tile_px(settings),
        device=device,
        draw=partial(_draw_beyond, draw),
    )
    return prefetch(held_out, settings.workers)


def _draw_beyond(
    draw: DrawBatch, seed: int, n: int, tile_px: int, device: torch.device, /, *, first: int = 0
) -> tuple[Tensor, Sequence[Any]]:
    """Tiles of the seeds that are kept back."""
    return draw(HELD_OUT_SEED + seed, n, tile_px, device, first=first)


def judge(network: CentrePointNetwork, held_out: Sequence[Batch]) -> dict[str, object]:
    """Losses and figures of a network on held-out batches."""
    n_candidate_groups = len(candidate_groups())
    losses = evaluate(network, held_out, n_candidate_groups=n_candidate_groups)
    judgement = judge_tiles(network, held_out, n_candidate_groups=n_candidate_groups)
    return {"held_out_losses": losses, **judgement.to_scores()}
