"""Batches of drawn tiles for training, drawn ahead by worker processes on the device that trains.

Drawing costs more than a training step, and both keep the processor busy with launching small kernels, so
that threads would wait for each other. Worker processes draw side by side; the order of the batches and
what is in them depend on the seed alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import chain, islice, takewhile
from multiprocessing import get_context
from multiprocessing.synchronize import Event
from typing import Any, Protocol

import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.utils.data import DataLoader, Dataset

from training.parallel import Share
from training.synthesize.stock import StockSource, draw_stock
from training.synthesize.stream import draw_batch
from training.targets import TILE_SCALE, Batch, Target, take_rows
from training.transforms import SEED_STRIDE

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
    """Batch number i is the same wherever and whenever it is asked for.

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
    together : int
        Batches that make up one series and are drawn at once: a GPU takes hardly longer for four small ones
        than for one.
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
        together: int = 1,
    ) -> None:
        self._first_seed = seed * SEED_STRIDE
        self._n_batches = n_batches
        self._n_all = n_tiles
        self._first, after = (share or Share()).bounds(n_tiles)
        self._n_tiles = after - self._first
        self._tile_px = tile_px
        self.device = device
        self._draw = draw
        self.together = together

    def __len__(self) -> int:
        return self._n_batches

    def __getitem__(self, index: int) -> Batch:
        if not 0 <= index < self._n_batches:
            raise IndexError(index)
        series, place = divmod(index, self.together)
        return self._draw_part(series, place * self._n_all + self._first, self._n_tiles)

    def draw_series(self, number: int) -> list[Batch]:
        """The batches of series `number`, drawn at once unless other processes draw parts of each."""
        start = number * self.together
        indices = range(start, min(start + self.together, self._n_batches))
        if self._n_tiles < self._n_all:
            return [self[index] for index in indices]
        tiles, targets = self._draw_part(number, 0, len(indices) * self._n_all)
        parts = [slice(first, first + self._n_all) for first in range(0, len(targets), self._n_all)]
        return [(tiles[part], targets[part]) for part in parts]

    def _draw_part(self, series: int, first: int, n: int) -> Batch:
        tiles, truths = self._draw(self._first_seed + series, n, self._tile_px, self.device, first=first)
        return tiles.cpu(), [to_target(truth, self._tile_px) for truth in truths]


def to_target(truth: Any, tile_px: int) -> Target:
    """A tile's truth as a training target, boxes clipped to the tile; objects outside are left out."""
    boxes = torch.as_tensor(truth.boxes_xyxy).cpu().float().reshape(-1, 4).clamp(0.0, float(tile_px))
    target = {
        "boxes": boxes,
        "ellipses": torch.as_tensor(truth.ellipses).cpu().float().reshape(-1, 5),
        "labels": torch.as_tensor(truth.labels).cpu().long().reshape(-1),
        "visible": torch.as_tensor(truth.visible).cpu().float().reshape(-1),
        TILE_SCALE: torch.tensor([truth.um_per_px], dtype=torch.float32),
    }
    return take_rows(target, (boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1]))


class _UntilStopped(Dataset[list[ArrayBatch]]):
    """Batches for worker processes, a series at a time; none, at once, as soon as nobody wants more.

    Targets leave as arrays: each tensor that leaves a worker would hold a file open.
    """

    def __init__(self, batches: DrawnBatches, stopped: Event) -> None:
        self._batches = batches
        self._stopped = stopped

    def __getitem__(self, number: int) -> list[ArrayBatch]:
        if self._stopped.is_set():
            return []
        if self._batches.device.type == "cuda" and self._batches.device.index is not None:
            # Or what needs a GPU here would take memory of the one that learns, too.
            torch.cuda.set_device(self._batches.device)
        return [
            (tiles, [{name: value.numpy() for name, value in one.items()} for one in targets])
            for tiles, targets in self._batches.draw_series(number)
        ]


def prefetch(batches: DrawnBatches, n_workers: int, *, start: int = 0) -> Iterator[Batch]:
    """The batches in order from number `start` on, drawn ahead by `n_workers` processes.

    With 0 workers they are drawn when they are asked for. Closed early, it first takes what was drawn ahead:
    a worker that ends while it hands over a batch aborts.
    """
    if n_workers == 0:
        yield from (batches[index] for index in range(start, len(batches)))
        return
    stopped = get_context("spawn").Event()
    first_series, n_early = divmod(start, batches.together)
    numbers = range(first_series, -(-len(batches) // batches.together))
    arrivals = iter(_open_loader(batches, max(min(n_workers, len(numbers)), 1), stopped, numbers))
    try:
        for tiles, targets in islice(chain.from_iterable(arrivals), n_early, None):
            yield tiles, [{name: torch.from_numpy(value) for name, value in one.items()} for one in targets]
    finally:
        stopped.set()
        # Workers that are gone already, interrupted from the keyboard say, have nothing to hand over.
        with suppress(RuntimeError):
            deque(arrivals, maxlen=0)


def _open_loader(
    batches: DrawnBatches, n_workers: int, stopped: Event, numbers: range
) -> DataLoader[list[ArrayBatch]]:
    return DataLoader(
        _UntilStopped(batches, stopped),
        batch_size=None,
        sampler=takewhile(lambda _: not stopped.is_set(), numbers),
        num_workers=n_workers,
        multiprocessing_context="spawn",
        prefetch_factor=2,
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

    The first batches show their own tiles again, until there are others. Augmentation makes a tile that is
    shown again look different.

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
        new = list(zip(tiles, targets, strict=True))
        if number >= start:
            generator.manual_seed(seed * SEED_STRIDE + number)
            again = _choose(pool, new, echoes - 1, generator)
            yield (
                torch.cat([tiles, *(tile[None] for tile, _ in again)]),
                [*targets, *(target for _, target in again)],
            )
        if echoes > 1:
            pool.extend(new)
            while len(pool) > POOL_BATCHES * len(targets):
                pool.popleft()


def _choose(
    pool: Sequence[tuple[Tensor, Target]],
    new: Sequence[tuple[Tensor, Target]],
    times: int,
    generator: torch.Generator,
) -> list[tuple[Tensor, Target]]:
    """`times` as many as the new tiles: others of the pool, or some several times while it holds too few."""
    n = times * len(new)
    if len(pool) >= n:
        return [pool[index] for index in torch.randperm(len(pool), generator=generator)[:n].tolist()]
    few = [*pool, *new]
    return [few[index] for index in torch.randint(len(few), (n,), generator=generator).tolist()]
