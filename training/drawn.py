"""Batches of drawn tiles for training, drawn ahead by worker processes on the device that trains.

Drawing costs more than a training step, and both keep the processor busy with launching small kernels, so
that threads would wait for each other. Worker processes draw side by side; the order of the batches and
what is in them depend on the seed alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from itertools import takewhile
from multiprocessing import get_context
from multiprocessing.synchronize import Event
from typing import Any

import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.utils.data import DataLoader, Dataset

from training.engine import Batch
from training.synthesize.stock import StockSource, draw_stock
from training.synthesize.stream import draw_batch
from training.transforms import Target

SEED_STRIDE = 1_000_003
"""Apart from each other, so that runs of neighbouring seeds share no batch."""
POOL_BATCHES = 48
"""Batches remembered for showing tiles again."""

ArrayBatch = tuple[Tensor, list[dict[str, NDArray[Any]]]]
"""Tiles, and a target of arrays for each."""

DrawBatch = Callable[[int, int, int, torch.device], tuple[Tensor, Sequence[Any]]]
"""Takes seed, number of tiles, tile side and device; gives tiles (N, 3, S, S) uint8 and their truths."""


def draw_slides(
    seed: int, n: int, tile_px: int, device: torch.device, stocks: StockSource = draw_stock
) -> tuple[Tensor, Sequence[Any]]:
    """Tiles of drawn slides in the renderer's usual mixture of styles, with their truths."""
    return draw_batch(seed, n=n, tile_px=tile_px, device=device, stocks=stocks)


class DrawnBatches(Dataset[Batch]):
    """Batch number i is drawn from seed + i, wherever and whenever it is asked for.

    Parameters
    ----------
    seed : int
        Of the run.
    n_batches : int
        How many batches there are.
    n_tiles : int
        Tiles in each.
    tile_px : int
        Side of a tile.
    device : torch.device
        Where to draw; batches come back in main memory.
    draw : callable, optional
        What draws; the slides of `training.synthesize` if left out.
    """

    def __init__(
        self,
        seed: int,
        *,
        n_batches: int,
        n_tiles: int,
        tile_px: int,
        device: torch.device,
        draw: DrawBatch = draw_slides,
    ) -> None:
        self._first_seed = seed * SEED_STRIDE
        self._n_batches = n_batches
        self._n_tiles = n_tiles
        self._tile_px = tile_px
        self._device = device
        self._draw = draw

    def __len__(self) -> int:
        return self._n_batches

    def __getitem__(self, index: int) -> Batch:
        if not 0 <= index < self._n_batches:
            raise IndexError(index)
        tiles, truths = self._draw(self._first_seed + index, self._n_tiles, self._tile_px, self._device)
        return tiles.cpu(), [to_target(truth, self._tile_px) for truth in truths]


def to_target(truth: Any, tile_px: int) -> Target:
    """A tile's truth as a training target, boxes clipped to the tile; objects outside are left out."""
    boxes = torch.as_tensor(truth.boxes_xyxy).cpu().float().reshape(-1, 4).clamp(0.0, float(tile_px))
    target = {
        "boxes": boxes,
        "ellipses": torch.as_tensor(truth.ellipses).cpu().float().reshape(-1, 5),
        "labels": torch.as_tensor(truth.labels).cpu().long().reshape(-1),
        "visible": torch.as_tensor(truth.visible).cpu().float().reshape(-1),
    }
    inside = (boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1])
    return {name: value[inside] for name, value in target.items()}


class _UntilStopped(Dataset[ArrayBatch | None]):
    """Batches for worker processes; None, at once, as soon as nobody wants more.

    Targets leave as arrays: each tensor that leaves a worker would hold a file open.
    """

    def __init__(self, batches: DrawnBatches, stopped: Event) -> None:
        self._batches = batches
        self._stopped = stopped

    def __getitem__(self, index: int) -> ArrayBatch | None:
        if self._stopped.is_set():
            return None
        tiles, targets = self._batches[index]
        return tiles, [{name: value.numpy() for name, value in one.items()} for one in targets]


def prefetch(batches: DrawnBatches, n_workers: int) -> Iterator[Batch]:
    """The batches in order, drawn ahead by `n_workers` processes; 0 draws them when they are asked for.

    Closed early, it first takes what was drawn ahead: a worker that ends while it hands over a batch aborts.
    """
    if n_workers == 0:
        yield from (batches[index] for index in range(len(batches)))
        return
    stopped = get_context("spawn").Event()
    arrivals = iter(_open_loader(batches, n_workers, stopped))
    try:
        for tiles, targets in arrivals:
            yield tiles, [{name: torch.from_numpy(value) for name, value in one.items()} for one in targets]
    finally:
        stopped.set()
        # Workers that are gone already, interrupted from the keyboard say, have nothing to hand over.
        with suppress(RuntimeError):
            deque(arrivals, maxlen=0)


def _open_loader(batches: DrawnBatches, n_workers: int, stopped: Event) -> DataLoader[Any]:
    return DataLoader(
        _UntilStopped(batches, stopped),
        batch_size=None,
        sampler=takewhile(lambda _: not stopped.is_set(), range(len(batches))),
        num_workers=n_workers,
        multiprocessing_context="spawn",
        prefetch_factor=4,
        collate_fn=_as_is,
    )


def _as_is(batch: Any) -> Any:
    """Keeps arrays from becoming tensors again."""
    return batch


def show_again(batches: Iterator[Batch], *, echoes: int, seed: int) -> Iterator[Batch]:
    """Batches `echoes` times as large: each new batch, with tiles chosen from those of the last ones.

    The first batches are shorter, until there is something to show again. Augmentation makes a tile
    that is shown again look different.

    References
    ----------
    Choi et al. 2019, "Faster Neural Network Training with Data Echoing" (arXiv 1907.05550).
    """
    generator = torch.Generator().manual_seed(seed)
    pool_tiles: list[Tensor] = []
    pool_targets: list[Target] = []
    for tiles, targets in batches:
        n_again = min((echoes - 1) * len(targets), len(pool_targets))
        chosen = torch.randperm(len(pool_targets), generator=generator)[:n_again].tolist()
        yield (
            torch.cat([tiles, *(pool_tiles[index][None] for index in chosen)]),
            [*targets, *(pool_targets[index] for index in chosen)],
        )
        if echoes > 1:
            keep = (POOL_BATCHES - 1) * len(targets)
            pool_tiles = [*pool_tiles[-keep:], *tiles]
            pool_targets = [*pool_targets[-keep:], *targets]
