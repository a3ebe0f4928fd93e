"""What a training is fed with: drawn tiles, squares of labelled pictures, or both side by side."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import torch

from training.drawn import DrawBatch, DrawnBatches, draw_slides, first_shown, prefetch, show_again
from training.parallel import Share
from training.settings import Settings
from training.synthesize.stock import StockSource, draw_stock, store_stocks
from training.targets import Batch

if TYPE_CHECKING:
    from training.dataset import MarkedPicture


@dataclass(frozen=True)
class Given:
    """What a training takes instead of reading or drawing it: several trainings may share it.

    Attributes
    ----------
    pictures : sequence of MarkedPicture or None
        Learnt instead of the set's train split.
    drawn : sequence of (tiles, targets) or None
        Shown in turn, over and over, instead of new ones.
    held_out : sequence of (tiles, targets) or None
        Judged on.
    """

    pictures: Sequence[MarkedPicture] | None = None
    drawn: Sequence[Batch] | None = None
    held_out: Sequence[Batch] | None = None


@contextmanager
def open_drawing(settings: Settings) -> Iterator[DrawBatch]:
    """What draws slides; worker processes share one stock of objects instead of each drawing its own."""
    with open_stocks(settings.workers) as stocks:
        yield partial(draw_slides, stocks=stocks)


@contextmanager
def open_stocks(workers: int) -> Iterator[StockSource]:
    """Stocks of objects that `workers` processes share; with 0, those that are drawn on the spot."""
    if workers == 0:
        yield draw_stock
        return
    with TemporaryDirectory(prefix="coverslip-stocks-") as folder:
        yield store_stocks(Path(folder), workers=workers)


def open_batches(
    settings: Settings,
    device: torch.device,
    draw: DrawBatch,
    *,
    share: Share,
    start: int,
    given: Given,
) -> Iterable[Batch]:
    """The batches from number `start` to the last step: drawn tiles, labelled squares, or both."""
    if settings.draw_device is not None:
        device = torch.device(settings.draw_device)
    if settings.data is None:
        return draw_batches(settings, settings.batch, device, draw, share=share, start=start)
    pictures = read_training_pictures(settings.data) if given.pictures is None else given.pictures
    # Reading pictures needs libraries that a machine which only draws may lack.
    from training.dataset import join_batches, labelled_batches

    n_drawn = count_drawn(settings, share)
    labelled = labelled_batches(
        pictures,
        tile_px=settings.tile_px,
        n_tiles=settings.batch - n_drawn,
        seed=settings.seed,
        um_per_px=settings.um_per_px,
        share=share,
        start=start,
    )
    if n_drawn == 0:
        return itertools.islice(labelled, settings.steps - start)
    drawn = (
        draw_batches(settings, n_drawn, device, draw, share=share, start=start)
        if given.drawn is None
        else show_in_turn(given.drawn, settings.steps, start=start)
    )
    return join_batches(drawn, labelled)


def count_drawn(settings: Settings, share: Share | None = None) -> int:
    """How many tiles of a batch are drawn where a labelled set is learnt, equally many in each process."""
    n = (share or Share()).n
    return round(settings.batch * settings.drawn_share / n) * n


def read_training_pictures(data: Path) -> list[MarkedPicture]:
    """The pictures of a labelled set that may be learnt from.

    Raises
    ------
    RecordError
        If the set can't be read, or is locked: all of it is for judging.
    """
    from training.dataset import read_marked_pictures
    from training.splits import refuse_locked, split_of, take_split

    pictures = read_marked_pictures(data)
    if all(split_of(one) == "judging" for one in pictures):
        refuse_locked(pictures)
    return take_split(pictures, "train")


def show_in_turn(batches: Sequence[Batch], n_steps: int, *, start: int = 0) -> Iterator[Batch]:
    """The same batches over and over, from step `start` to the last."""
    return (batches[step % len(batches)] for step in range(start, n_steps))


def draw_batches(
    settings: Settings, n_tiles: int, device: torch.device, draw: DrawBatch, *, share: Share, start: int
) -> Iterable[Batch]:
    """Drawn batches of `n_tiles` tiles from number `start` to the last step, some tiles shown before."""
    if settings.drawn_tiles is not None:
        few = draw_few(settings, n_tiles, device, draw, share=share)
        return show_in_turn(few, settings.steps, start=start)
    first = first_shown(start, settings.echoes)
    drawn = DrawnBatches(
        settings.seed,
        n_batches=settings.steps,
        n_tiles=max(n_tiles // settings.echoes, share.n),
        tile_px=settings.tile_px,
        device=device,
        draw=draw,
        share=share,
        together=settings.echoes,
    )
    return show_again(
        prefetch(drawn, settings.workers, start=first),
        echoes=settings.echoes,
        seed=settings.seed,
        first=first,
        start=start,
    )


def draw_few(
    settings: Settings, n_tiles: int, device: torch.device, draw: DrawBatch, *, share: Share | None = None
) -> list[Batch]:
    """Batches of `n_tiles` tiles that hold `settings.drawn_tiles` tiles or a few more, to be shown in turn.

    Where pictures are what is to be learnt, drawn tiles only keep the network from forgetting: as many as it
    can't learn by heart in so short a time are enough.
    """
    wanted = settings.drawn_tiles or settings.steps * n_tiles
    few = DrawnBatches(
        settings.seed,
        n_batches=min(math.ceil(wanted / n_tiles), settings.steps),
        n_tiles=n_tiles,
        tile_px=settings.tile_px,
        device=device,
        draw=draw,
        share=share,
    )
    return list(prefetch(few, settings.workers))
