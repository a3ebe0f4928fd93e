"""Batches brought to the device that trains while it learns from the ones before."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import torch

from training.targets import Batch

N_AHEAD = 2
"""Batches under way at a time; each takes its own memory on the device."""


def bring_ahead(batches: Iterable[Batch], device: torch.device) -> Iterator[Batch]:
    """The same batches in the same order, their tiles on `device`, fetched by a thread of its own.

    Joining tiles of several series and locking them in memory for the copy would otherwise keep the device
    waiting. Closed early, it first waits for what is under way.

    Parameters
    ----------
    batches : iterable of (tiles, targets)
        Read in that thread alone, and closed with this iterator.
    device : torch.device
    """
    arrivals = iter(batches)

    def fetch() -> Batch | None:
        batch = next(arrivals, None)
        if batch is None:
            return None
        tiles, targets = batch
        if device.type == "cuda":
            tiles = tiles.pin_memory()
        return tiles.to(device, non_blocking=True), targets

    with ThreadPoolExecutor(1, thread_name_prefix="ahead") as thread:
        coming: deque[Future[Batch | None]] = deque(thread.submit(fetch) for _ in range(N_AHEAD))
        while (batch := coming.popleft().result()) is not None:
            coming.append(thread.submit(fetch))
            yield batch
