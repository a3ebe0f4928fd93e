"""Batches of drawn tiles for training, drawn ahead by worker processes on the device that trains.

Drawing costs more than a training step, and both keep the processor busy with launching small kernels, so
that threads would wait for each other. Worker processes draw side by side; the order of the batches and
what is in them depend on the seed alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import takewhile
from multiprocessing import get_context
from multiprocessing.synchronize import Event
from typing import Any, Protocol

import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.utils.data import DataLoader, Dataset

from training.engine import Batch
from training.parallel import Share
from training.synthesize.stock import StockSource, draw_stock
from training.synthesize.stream import draw_batch
from training.transforms import SEED_STRIDE, Target

POOL_BATCHES = 160
"""Batches remembered for showing tiles again."""

ArrayBatch = tuple[Tensor, list[dict[str, NDArray[Any]]]]
"""Tiles, and a target of arrays for each."""


class DrawBatch(Protocol):
    """Draws tiles of a series."""

    def __call__(
        self, seed: int, n: int, tile_px: int, device: torch.device, /, *, first: int = 0
    ) -> tuple[Tensor, Sequence[Any]]:
        """`n` tiles (n, 3, tile_px, tile_px), uint8, of the series `seed`, from `first` on, and their truths.

        Tile number i of a series is the same whatever the others are.
        """


def draw_slides(
    seed: int,
    n: int,
    tile_px: int,
    device: torch.device,
    /,
    *,
    first: int = 0,
    stocks: StockSource = draw_stock,
) -> tuple[Tensor, Sequence[Any]]:
    """Tiles of drawn slides in the renderer's usual mixture of styles, with their truths."""
    return draw_batch(seed, n=n, tile_px=tile_px, first=first, device=device, stocks=stocks)


class DrawnBatches(Dataset[Batch]):
    """Batch number i is drawn from seed + i, wherever and whenever it is asked for.

    Parameters
    ----------
    seed : int
        Of the run.
    n_batches : int
        How many batches there are.
    n_tiles : int
        Tiles in each, over all processes that share it.
    tile_px : int
        Side of a tile.
    device : torch.device
        Where to draw; batches come back in main memory.
    draw : callable, optional
        What draws; the slides of `training.synthesize` if left out.
    share : Share, optional
        The part of each batch that is drawn here; all of it if left out.
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
        share: Share | None = None,
    ) -> None:
        self._first_seed = seed * SEED_STRIDE
        self._n_batches = n_batches
        self._first, after = (share or Share()).bounds(n_tiles)
        self._n_tiles = after - self._first
        self._tile_px = tile_px
        self.device = device
        self._draw = draw

    def __len__(self) -> int:
        return self._n_batches

    def __getitem__(self, index: int) -> Batch:
        if not 0 <= index < self._n_batches:
            raise IndexError(index)
        tiles, truths = self._draw(
            self._first_seed + index, self._n_tiles, self._tile_px, self.device, first=self._first
        )
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
        if self._batches.device.type == "cuda" and self._batches.device.index is not None:
            # Or what needs a GPU here would take memory of the one that learns, too.
            torch.cuda.set_device(self._batches.device)
        tiles, targets = self._batches[index]
        return tiles, [{name: value.numpy() for name, value in one.items()} for one in targets]


def prefetch(batches: DrawnBatches, n_workers: int, *, start: int = 0) -> Iterator[Batch]:
    """The batches in order from number `start` on, drawn ahead by `n_workers` processes.

    With 0 workers they are drawn when they are asked for. Closed early, it first takes what was drawn ahead:
    a worker that ends while it hands over a batch aborts.
    """
    if n_workers == 0:
        yield from (batches[index] for index in range(start, len(batches)))
        return
    stopped = get_context("spawn").Event()
    n_workers = max(min(n_workers, len(batches) - start), 1)
    arrivals = iter(_open_loader(batches, n_workers, stopped, start))
    try:
        for tiles, targets in arrivals:
            yield tiles, [{name: torch.from_numpy(value) for name, value in one.items()} for one in targets]
    finally:
        stopped.set()
        # Workers that are gone already, interrupted from the keyboard say, have nothing to hand over.
        with suppress(RuntimeError):
            deque(arrivals, maxlen=0)


def _open_loader(batches: DrawnBatches, n_workers: int, stopped: Event, start: int) -> DataLoader[Any]:
    return DataLoader(
        _UntilStopped(batches, stopped),
        batch_size=None,
        sampler=takewhile(lambda _: not stopped.is_set(), range(start, len(batches))),
        num_workers=n_workers,
        multiprocessing_context="spawn",
        prefetch_factor=4,
        collate_fn=_as_is,
    )


def _as_is(batch: Any) -> Any:
    """Keeps arrays from becoming tensors again."""
    return batch


def first_shown(start: int, echoes: int) -> int:
    """The batch from which on tiles are drawn, to have those that batch `start` may show again."""
    return start if echoes == 1 else max(start - POOL_BATCHES, 0)


def show_again(
    batches: Iterator[Batch], *, echoes: int, seed: int, first: int = 0, start: int = 0
) -> Iterator[Batch]:
    """Batches `echoes` times as large: each new batch, with tiles chosen from those of the last ones.

    The first batches are shorter, until there is something to show again. Augmentation makes a tile
    that is shown again look different.

    Parameters
    ----------
    batches : iterator of (tiles, targets)
        From number `first` on, which is `first_shown(start, echoes)`.
    echoes : int
        Times that a tile is shown, on average.
    seed : int
        Of the choice.
    first, start : int
        Number of the first batch that comes in, and of the first that goes out.

    References
    ----------
    Choi et al. 2019, "Faster Neural Network Training with Data Echoing" (arXiv 1907.05550).
    """
    generator = torch.Generator()
    pool: deque[tuple[Tensor, Target]] = deque()
    for number, (tiles, targets) in enumerate(batches, start=first):
        if number >= start:
            generator.manual_seed(seed * SEED_STRIDE + number)
            n_again = min((echoes - 1) * len(targets), len(pool))
            chosen = torch.randperm(len(pool), generator=generator)[:n_again].tolist()
            yield (
                torch.cat([tiles, *(pool[index][0][None] for index in chosen)]),
                [*targets, *(pool[index][1] for index in chosen)],
            )
        if echoes > 1:
            pool.extend(zip(tiles, targets, strict=True))
            while len(pool) > POOL_BATCHES * len(targets):
                pool.popleft()
