"""Worker processes that draw side by side, one thread each."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context

import torch


def open_processes(workers: int) -> ProcessPoolExecutor:
    """A pool of fresh processes, each of which keeps torch to one thread."""
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=use_one_thread)


@contextmanager
def open_some(workers: int) -> Iterator[ProcessPoolExecutor | None]:
    """The same, or None where one process is enough: this one."""
    if workers <= 1:
        yield None
        return
    with open_processes(workers) as pool:
        yield pool


def use_one_thread() -> None:
    """For processes that work side by side."""
    torch.set_num_threads(1)
