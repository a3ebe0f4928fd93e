"""Trials side by side in processes of their own; more may be added while others run."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from multiprocessing.pool import Pool
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from training.engine import TrainingError
from training.settings import Settings
from training.synthesize.processes import use_one_thread
from training.trials import POINTS_FOLDER, Judge, Trial, Tried, judge_proposals, point_path, try_trial


class Running:
    """Trials that run, and those that are done.

    Parameters
    ----------
    run : callable
        Runs one.
    out : Path
        Holds what came of those that were done before.
    pool : Pool or None
        Where they run; None: in this process, when they are taken.
    """

    def __init__(self, run: Callable[[Trial], Tried], out: Path, pool: Pool | None) -> None:
        self._run = run
        self._out = out
        self._pool = pool
        self._waiting: list[Trial] = []
        self._ended: SimpleQueue[Tried] = SimpleQueue()
        self._broken: list[Tried] = []
        self._n_added = self._n_left = 0

    def add(self, trials: Iterable[Trial]) -> None:
        """Begin these after those that were added before; what was done before is not done again."""
        for trial in trials:
            self._n_added += 1
            self._n_left += 1
            if point_path(self._out, trial).is_file():
                self._ended.put(self._run(trial))
            elif self._pool is None:
                self._waiting.append(trial)
            else:
                self._pool.apply_async(self._run, (trial,), callback=self._ended.put)

    def take_ready(self) -> Iterator[tuple[Trial, dict[str, Any]]]:
        """Those that have ended by now, with what came of each."""
        while not self._ended.empty():
            yield from self._take(self._ended.get())

    def take(self, stop_at_s: float) -> Iterator[tuple[Trial, dict[str, Any]]]:
        """All that are left, as they end; those that are not done at `stop_at_s` are left out.

        Parameters
        ----------
        stop_at_s : float
            By `time.monotonic`.

        Raises
        ------
        TrainingError
            If trials broke; the others were done before.
        """
        while self._n_left:
            if self._waiting and self._ended.empty() and time.monotonic() < stop_at_s:
                self._ended.put(self._run(self._waiting.pop(0)))
            try:
                ended = self._ended.get(timeout=max(stop_at_s - time.monotonic(), 0.0))
            except Empty:
                break
            yield from self._take(ended)
        if self._broken:
            first = self._broken[0]
            raise TrainingError(
                f"{len(self._broken)} of {self._n_added} trainings broke. "
                f"The first: {first.trial.name}: {first.problem}"
            )

    def _take(self, ended: Tried) -> Iterator[tuple[Trial, dict[str, Any]]]:
        self._n_left -= 1
        if ended.result is None:
            self._broken.append(ended)
        else:
            yield ended.trial, ended.result


@contextmanager
def open_trials(
    settings: Settings, *, tiles: Path, command: str, side_by_side: int, judge: Judge = judge_proposals
) -> Iterator[Running]:
    """What runs trials; leaving it ends those that are still at work, whose checkpoints stay.

    Parameters
    ----------
    settings : Settings
        Of every training; all run on `device`.
    tiles : Path
        What `training.shared_tiles` wrote.
    command : str
        For the records.
    side_by_side : int
        Processes; with 1 the trials run in this one.
    judge : callable, optional
    """
    (settings.out / POINTS_FOLDER).mkdir(parents=True, exist_ok=True)
    run = partial(try_trial, settings=settings, tiles=tiles, command=command, judge=judge)
    if side_by_side <= 1:
        yield Running(run, settings.out, None)
        return
    with get_context("spawn").Pool(side_by_side, initializer=use_one_thread) as pool:
        yield Running(run, settings.out, pool)
