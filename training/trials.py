"""A small training and its judgement, written down when it is done.

A folder of trials goes on where it was: what has its file is not done again. `training.side_by_side` runs
many of them.
"""

from __future__ import annotations

import json
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from training.dataset import MarkedPicture
from training.evaluate import Judged, judge_picture
from training.local_figures import open_detector
from training.metrics import FALSE, FOUND, Matches, free_response
from training.parallel import choose_device
from training.settings import Settings
from training.shared_tiles import give
from training.start_weights import start_folder
from training.train import train
from triage.errors import RecordError

FALSE_PER_SLIDE = 0.5
"""Objects count as found at the cut that lets through this many false candidates a slide."""
SETTINGS_FILE = "settings.json"
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


Counts = dict[str, dict[str, Any]]
"""What `count_found` says, by name of the locked set."""
Judge = Callable[[Trial, Path, torch.device], Counts]
"""What judges the detector of a weights folder on a trial's locked sets."""


def count_found(matches: Sequence[Matches], is_group_right: Sequence[NDArray[np.bool_]]) -> dict[str, Any]:
    """What was found on each slide at `FALSE_PER_SLIDE`, as plain values.

    Parameters
    ----------
    matches : sequence of Matches
        One a slide.
    is_group_right : sequence of ndarray of shape (N,)
        Of each candidate, whether its group is that of the object it found.

    Returns
    -------
    counts : dict
        `cut`; `found` and `of`, one number a slide; `false` and `group_right` over all.
    """
    cut = free_response(matches).cut_at(FALSE_PER_SLIDE)
    found = [(one.verdicts == FOUND) & (one.scores >= cut) for one in matches]
    false = [(one.verdicts == FALSE) & (one.scores >= cut) for one in matches]
    right = [rows & is_right for rows, is_right in zip(found, is_group_right, strict=True)]
    return {
        "cut": cut,
        "found": [int(rows.sum()) for rows in found],
        "of": [one.n_objects for one in matches],
        "false": int(sum(rows.sum() for rows in false)),
        "group_right": int(sum(rows.sum() for rows in right)),
    }


def judge_proposals(trial: Trial, folder: Path, device: torch.device) -> Counts:
    """What is found through the same proposal that a reader gets."""
    detector = open_detector(folder, device)
    counts = {}
    for name, pictures in trial.judged.items():
        judged = [judge_picture(one, detector, is_scale_used=True) for one in pictures]
        counts[name] = count_found([one.matches for one in judged], [_is_group_right(one) for one in judged])
    return counts


def _is_group_right(one: Judged) -> NDArray[np.bool_]:
    pairs = zip(one.candidates, one.matches.objects, strict=True)
    right = [index >= 0 and candidate.group == one.truth.groups[index] for candidate, index in pairs]
    return np.array(right, dtype=bool)


def run_trial(
    trial: Trial, *, settings: Settings, tiles: Path, command: str, judge: Judge = judge_proposals
) -> dict[str, Any]:
    """Train as `training.train --from-shipped` does, and count what is found on the locked sets."""
    started_s = time.monotonic()
    folder, device = start_folder(settings.start), choose_device(settings.device)
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
    return {
        **trial.facts,
        "judged": judge(trial, folder, device),
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


def point_path(out: Path, trial: Trial) -> Path:
    """Where is written what came of a trial."""
    return out / POINTS_FOLDER / f"{trial.name}.json"


@dataclass(frozen=True)
class Tried:
    """What came of a trial, or else why it broke."""

    trial: Trial
    result: dict[str, Any] | None
    problem: str | None = None


def try_trial(trial: Trial, *, settings: Settings, **options: Any) -> Tried:
    """Run a trial and write down what came; one that breaks, for want of memory say, takes no other with it.

    Parameters
    ----------
    trial : Trial
    settings : Settings
        Of every training.
    **options
        As `run_trial` takes them.
    """
    path = point_path(settings.out, trial)
    if path.is_file():
        return Tried(trial, json.loads(path.read_text(encoding="utf-8")))
    try:
        result = run_trial(trial, settings=settings, **options)
    except Exception as err:
        traceback.print_exc()
        return Tried(trial, None, f"{type(err).__name__}: {err}")
    # Renamed when it is whole, so that one that was cut short is run again.
    partial = path.with_suffix(".partial")
    partial.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    partial.replace(path)
    return Tried(trial, result)
