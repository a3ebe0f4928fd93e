"""Many small trainings and their judgements side by side, each written down as it comes.

A folder of trials goes on where it was: what has its file is not done again.
"""

from __future__ import annotations

import json
import time
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import TimeoutError as OutOfTime
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import torch

from training.dataset import MarkedPicture
from training.drawn import DrawBatch
from training.engine import Batch, TrainingError
from training.evaluate import Judged, judge_picture
from training.held_out import draw_held_out
from training.judge import found_objects
from training.local_figures import open_detector
from training.metrics import FALSE, free_response
from training.parallel import choose_device
from training.settings import Settings
from training.start_weights import start_folder
from training.supply import Given, count_drawn, draw_few
from training.synthesize.processes import use_one_thread
from training.train import train
from triage.errors import RecordError

FALSE_PER_SLIDE = 0.5
"""Objects count as found at the cut that lets through this many false candidates a slide."""
SETTINGS_FILE = "settings.json"
TILES_FILE = "tiles.pt"
POINTS_FOLDER = "points"
TRAINED_FOLDER = "trained"


@dataclass(frozen=True)
class Trial:
    """One training and what it is judged on.

    Attributes
    ----------
    name : str
        Of its file and folder.
    facts : mapping
        Written down beside what came.
    pictures : sequence of MarkedPicture
        Learnt; none: the detector that trainings start from is judged as it is.
    judged : mapping of str to sequence of MarkedPicture
        Locked sets by name.
    seed : int
        Of the training.
    """

    name: str
    facts: Mapping[str, Any]
    pictures: Sequence[MarkedPicture]
    judged: Mapping[str, Sequence[MarkedPicture]]
    seed: int = 1


def count_found(judged: Sequence[Judged]) -> dict[str, Any]:
    """What was found on each slide at `FALSE_PER_SLIDE`, as plain values.

    Returns
    -------
    counts : dict
        `cut`; `found` and `of`, one number a slide; `false` and `group_right` over all.
    """
    cut = free_response([one.matches for one in judged]).cut_at(FALSE_PER_SLIDE)
    found = [found_objects(one, cut) for one in judged]
    right = [
        one.candidates[row].group == one.truth.groups[index]
        for one, rows in zip(judged, found, strict=True)
        for row, index in rows
    ]
    false = [((one.matches.verdicts == FALSE) & (one.matches.scores >= cut)).sum() for one in judged]
    return {
        "cut": cut,
        "found": [len(rows) for rows in found],
        "of": [one.matches.n_objects for one in judged],
        "false": int(sum(false)),
        "group_right": sum(right),
    }


def save_tiles(settings: Settings, draw: DrawBatch) -> Path:
    """Drawn tiles that trainings share, against forgetting and for their held-out losses, in a file."""
    path = settings.out / TILES_FILE
    device = choose_device(settings.draw_device or settings.device)
    n_drawn = count_drawn(settings)
    tiles = {
        "drawn": draw_few(settings, n_drawn, device, draw) if n_drawn else [],
        "held_out": list(draw_held_out(settings, device, draw)),
    }
    settings.out.mkdir(parents=True, exist_ok=True)
    torch.save(tiles, path)
    return path


def give(pictures: Sequence[MarkedPicture], tiles: Path) -> Given:
    """What a training learns: the pictures, beside tiles that `save_tiles` wrote."""
    shared: dict[str, list[Batch]] = torch.load(tiles, weights_only=True)
    return Given(pictures, shared["drawn"] or None, shared["held_out"])


def find_tiles(settings: Settings, draw: DrawBatch) -> Path:
    """The file that `save_tiles` wrote, drawn now where there is none."""
    path = settings.out / TILES_FILE
    return path if path.is_file() else save_tiles(settings, draw)


def run_trial(trial: Trial, *, settings: Settings, tiles: Path, command: str) -> dict[str, Any]:
    """Train as `training.train --from-shipped` does, and count what is found on the locked sets."""
    started_s = time.monotonic()
    folder = start_folder(settings.start)
    if trial.pictures:
        folder = settings.out / TRAINED_FOLDER / trial.name
        own = replace(
            settings,
            out=folder,
            data=trial.pictures[0].path.parents[1],
            seed=trial.seed,
            workers=0,
            resume=True,
        )
        train(own, command=command, given=give(trial.pictures, tiles))
    trained_s = time.monotonic()
    detector = open_detector(folder, choose_device(settings.device))
    judged = {
        name: count_found([judge_picture(one, detector, is_scale_used=True) for one in pictures])
        for name, pictures in trial.judged.items()
    }
    return {
        **trial.facts,
        "judged": judged,
        "seconds_training": round(trained_s - started_s, 1),
        "seconds_judging": round(time.monotonic() - trained_s, 1),
        "gpu_mib": most_gpu_mib(),
    }


def most_gpu_mib() -> int | None:
    """The most that this process has held of a GPU so far, in MiB; None without one."""
    if not torch.cuda.is_initialized():  # type: ignore[no-untyped-call]
        return None
    return round(torch.cuda.max_memory_reserved() / 2**20)


def keep_settings(folder: Path, settings: Mapping[str, Any]) -> None:
    """Write down what was asked for, once.

    Raises
    ------
    RecordError
        If the folder was begun with other settings.
    """
    path = folder / SETTINGS_FILE
    folder.mkdir(parents=True, exist_ok=True)
    text = json.dumps(settings, indent=1, default=str)
    if path.is_file() and json.loads(path.read_text(encoding="utf-8")) != json.loads(text):
        raise RecordError(
            f"{folder} was begun with other settings ({SETTINGS_FILE} there says which). "
            "Ask for the same again, or name a new folder with --out."
        )
    path.write_text(text + "\n", encoding="utf-8")


def run_trials(
    trials: Sequence[Trial],
    settings: Settings,
    *,
    tiles: Path,
    command: str,
    side_by_side: int,
    stop_at_s: float,
) -> Iterator[tuple[Trial, dict[str, Any]]]:
    """Each trial with what came of it: those that `settings.out` holds first, then the others as they end.

    Parameters
    ----------
    trials : sequence of Trial
        Begun in this order.
    settings : Settings
        Of every training; all run on `device`.
    tiles : Path
        What `find_tiles` gave.
    command : str
        For the records.
    side_by_side : int
        Processes; with 1 the trials run in this one.
    stop_at_s : float
        By `time.monotonic`; those that are not done then are left out.

    Raises
    ------
    TrainingError
        If trials broke; the others were done before.
    """
    points = settings.out / POINTS_FOLDER
    points.mkdir(parents=True, exist_ok=True)
    left = []
    for trial in trials:
        path = points / f"{trial.name}.json"
        if path.is_file():
            yield trial, json.loads(path.read_text(encoding="utf-8"))
        else:
            left.append(trial)
    broken = []
    run = partial(_try_trial, settings=settings, tiles=tiles, command=command)
    for number, result, problem in _run_left(left, run, side_by_side, stop_at_s):
        if result is None:
            broken.append(f"{left[number].name}: {problem}")
            continue
        text = json.dumps(result, indent=1) + "\n"
        (points / f"{left[number].name}.json").write_text(text, encoding="utf-8")
        yield left[number], result
    if broken:
        raise TrainingError(f"{len(broken)} of {len(left)} trainings broke. The first: {broken[0]}")


Tried = tuple[int, dict[str, Any] | None, str | None]
"""Number of a trial, what came of it, or else why it broke."""


def _try_trial(numbered: tuple[int, Trial], *, settings: Settings, tiles: Path, command: str) -> Tried:
    """Keeps one that breaks, for want of memory say, from taking the others with it; told at the end."""
    number, trial = numbered
    try:
        return number, run_trial(trial, settings=settings, tiles=tiles, command=command), None
    except Exception as err:
        traceback.print_exc()
        return number, None, f"{type(err).__name__}: {err}"


def _run_left(
    trials: Sequence[Trial],
    run: Callable[[tuple[int, Trial]], Tried],
    side_by_side: int,
    stop_at_s: float,
) -> Iterator[Tried]:
    numbered = list(enumerate(trials))
    if side_by_side <= 1 or not trials:
        for one in numbered:
            if time.monotonic() < stop_at_s:
                yield run(one)
        return
    context = get_context("spawn")
    # Leaving it ends those that are still at work: their checkpoints stay.
    with context.Pool(min(side_by_side, len(trials)), initializer=use_one_thread) as pool:
        tried = pool.imap_unordered(run, numbered)
        for _ in numbered:
            try:
                yield tried.next(timeout=max(stop_at_s - time.monotonic(), 0.0))
            except OutOfTime:
                return
