"""Worker processes that draw side by side, one thread each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Any, TypeVar

import torch

Made = TypeVar("Made")


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


def map_in(
    processes: Executor | None, run: Callable[..., Made], *values: Iterable[Any], chunksize: int = 1
) -> Iterator[Made]:
    """What `run` makes of each of the values, in order: in the processes of `open_some`, or in this one."""
    if processes is None:
        return map(run, *values)
    return processes.map(run, *values, chunksize=chunksize)


def use_one_thread() -> None:
    """For processes that work side by side."""
    torch.set_num_threads(1)
