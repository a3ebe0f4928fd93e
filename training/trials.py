"""Many small trainings and their judgements side by side, each written down as it comes.

A folder of trials goes on where it was: what has its file is not done again.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, as_completed
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import torch

from training.dataset import MarkedPicture
from training.drawn import DrawBatch
from training.engine import Batch
from training.evaluate import Judged, judge_picture
from training.held_out import draw_held_out
from training.judge import found_objects
from training.local_figures import open_detector
from training.metrics import FALSE, free_response
from training.parallel import choose_device
from training.settings import Settings
from training.start_weights import start_folder
from training.supply import Given, count_drawn, draw_few, open_drawing
from training.synthesize.processes import open_processes
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
    device = choose_device(settings.device)
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


def _find_tiles(settings: Settings) -> Path:
    path = settings.out / TILES_FILE
    if not path.is_file():
        with open_drawing(settings) as draw:
            save_tiles(settings, draw)
    return path


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
    }


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
    command: str,
    side_by_side: int,
    stop_at_s: float,
) -> Iterator[tuple[Trial, dict[str, Any]]]:
    """Each trial with what came of it: those that `settings.out` holds first, then the others as they end.

    Parameters
    ----------
    trials : sequence of Trial
    settings : Settings
        Of every training; all run on `device`.
    command : str
        For the records.
    side_by_side : int
        Processes; with 1 the trials run in this one.
    stop_at_s : float
        By `time.monotonic`; later no trial begins, and those that are not done are left out.
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
    if not left:
        return
    run = partial(run_trial, settings=settings, tiles=_find_tiles(settings), command=command)
    for trial, result in _run_left(left, run, side_by_side, stop_at_s):
        text = json.dumps(result, indent=1) + "\n"
        (points / f"{trial.name}.json").write_text(text, encoding="utf-8")
        yield trial, result


def _run_left(
    trials: Sequence[Trial], run: Callable[[Trial], dict[str, Any]], side_by_side: int, stop_at_s: float
) -> Iterator[tuple[Trial, dict[str, Any]]]:
    if side_by_side <= 1:
        for trial in trials:
            if time.monotonic() < stop_at_s:
                yield trial, run(trial)
        return
    with open_processes(min(side_by_side, len(trials))) as pool:
        begun = {pool.submit(run, trial): trial for trial in trials}
        told: set[Future[dict[str, Any]]] = set()
        try:
            for future in as_completed(begun, timeout=max(stop_at_s - time.monotonic(), 0.0)):
                told.add(future)
                yield begun[future], future.result()
        except TimeoutError:
            pool.shutdown(wait=True, cancel_futures=True)
    for future, trial in begun.items():
        if future not in told and not future.cancelled():
            yield trial, future.result()
