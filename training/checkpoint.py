"""Where a training stands, on disk, so that it goes on after a kill as if nothing had happened.

A checkpoint is a folder `checkpoint-STEP` of safetensors files of at most 15 MiB each, small enough to be
sent from machine to machine. It is written beside its place and renamed when it is complete; the one before
it is then removed. Random numbers need no file: they follow from the seed and the step.
"""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save_file
from torch import Tensor

from training.engine import Trainer, TrainingError
from training.watch import Watch

MOST_BYTES = 15 * 2**20
"""Tensors in one file."""
STATE_KEY = "state"
_PARTIAL = ".partial"
_NAME = re.compile(r"checkpoint-(\d{8})")


@dataclass(frozen=True)
class Standing:
    """Where a training stands.

    Attributes
    ----------
    step : int
        Steps made.
    elapsed_s : float
        Seconds trained, over all parts.
    settings : dict
        What must stay the same when it goes on.
    n_files : int
        Files of the checkpoint.
    watch : dict
        What checks on held-out pictures said; empty in checkpoints of older versions.
    """

    step: int
    elapsed_s: float
    settings: dict[str, str]
    n_files: int
    watch: dict[str, Any] = dataclasses.field(default_factory=dict)


def find_checkpoint(folder: Path) -> Path | None:
    """The latest complete checkpoint of a training's folder; None if there is none."""
    found = _all_checkpoints(folder)
    return found[-1] if found else None


def _all_checkpoints(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if path.is_dir() and _NAME.fullmatch(path.name))


def write_checkpoint(folder: Path, trainer: Trainer, settings: dict[str, str]) -> Path:
    """Write where `trainer` stands and remove older checkpoints; returns the new one's folder."""
    path = folder / f"checkpoint-{trainer.step:08d}"
    partial = path.with_suffix(_PARTIAL)
    for left_over in folder.glob(f"checkpoint-*{_PARTIAL}"):
        shutil.rmtree(left_over)
    partial.mkdir(parents=True)
    parts = list(_share_out(_tensors_of(trainer)))
    standing = Standing(
        trainer.step, trainer.elapsed_s, settings, n_files=len(parts), watch=trainer.watch.to_json()
    )
    state = json.dumps(dataclasses.asdict(standing))
    for number, tensors in enumerate(parts, start=1):
        save_file(tensors, partial / f"part-{number}.safetensors", metadata={STATE_KEY: state})
    older = _all_checkpoints(folder)
    if path in older:  # the same step, written again
        shutil.rmtree(path)
    partial.rename(path)
    for old in older:
        if old != path:
            shutil.rmtree(old)
    return path


def remove_checkpoints(folder: Path) -> None:
    """Remove every checkpoint of a training that has ended."""
    for path in _all_checkpoints(folder):
        shutil.rmtree(path)


def read_standing(path: Path) -> Standing:
    """Where the training of a checkpoint stands.

    Raises
    ------
    TrainingError
        If a file is damaged, or the files don't belong together.
    """
    states = set()
    try:
        for part in _parts(path):
            with safe_open(part, framework="pt") as file:
                states.add((file.metadata() or {})[STATE_KEY])
        (state,) = states
        standing = Standing(**json.loads(state))
        if len(_parts(path)) != standing.n_files:
            raise ValueError(f"{len(_parts(path))} of {standing.n_files} files are there")
        return standing
    except (OSError, SafetensorError, KeyError, ValueError, TypeError) as err:
        raise _unreadable(path, err) from err


def load_checkpoint(path: Path, trainer: Trainer) -> None:
    """Set `trainer` to where the checkpoint stands.

    Raises
    ------
    TrainingError
        If a file is missing or damaged, or it is of another network.
    """
    standing = read_standing(path)
    tensors: dict[str, Tensor] = {}
    try:
        for part in _parts(path):
            with safe_open(part, framework="pt") as file:
                tensors.update({key: file.get_tensor(key) for key in file.keys()})  # noqa: SIM118
        trainer.network.load_state_dict(_under(tensors, "network."))
        trainer.average.network.load_state_dict(_under(tensors, "average."))
        _load_optimizer(trainer, _under(tensors, "optimizer."))
    except (OSError, SafetensorError, RuntimeError, KeyError) as err:
        raise _unreadable(path, err) from err
    trainer.average.n_updates = standing.step
    trainer.watch = Watch(**standing.watch, best=_under(tensors, "best."))
    trainer.sums = {name: value.to(trainer.device) for name, value in _under(tensors, "sums.").items()}
    trainer.step = standing.step
    trainer.elapsed_before_s = standing.elapsed_s


def _unreadable(path: Path, err: Exception) -> TrainingError:
    return TrainingError(
        f"The checkpoint {path} can't be read ({type(err).__name__}: {str(err).splitlines()[0]}). "
        "Copy all its files again, or remove the folder to begin anew."
    )


def _parts(path: Path) -> list[Path]:
    return sorted(path.glob("part-*.safetensors"))


def _tensors_of(trainer: Trainer) -> dict[str, Tensor]:
    """Everything that training changes, by name."""
    moments = {
        f"optimizer.{index}.{name}": value
        for index, values in trainer.optimizer.state_dict()["state"].items()
        for name, value in values.items()
    }
    return {
        **{f"network.{name}": value for name, value in trainer.network.state_dict().items()},
        **{f"average.{name}": value for name, value in trainer.average.network.state_dict().items()},
        **moments,
        **{f"sums.{name}": value for name, value in trainer.sums.items()},
        **{f"best.{name}": value for name, value in trainer.watch.best.items()},
    }


def _share_out(tensors: dict[str, Tensor]) -> Iterator[dict[str, Tensor]]:
    """The tensors in order, in as few files as their sizes allow."""
    part: dict[str, Tensor] = {}
    n_bytes = 0
    for name, value in tensors.items():
        if part and n_bytes + value.nbytes > MOST_BYTES:
            yield part
            part, n_bytes = {}, 0
        part[name] = value.detach().cpu().contiguous()
        n_bytes += value.nbytes
    yield part


def _under(tensors: dict[str, Tensor], prefix: str) -> dict[str, Tensor]:
    return {name.removeprefix(prefix): value for name, value in tensors.items() if name.startswith(prefix)}


def _load_optimizer(trainer: Trainer, moments: dict[str, Tensor]) -> None:
    fresh = trainer.optimizer.state_dict()
    state: dict[int, dict[str, Tensor]] = {}
    for name, value in moments.items():
        index, _, key = name.partition(".")
        state.setdefault(int(index), {})[key] = value
    trainer.optimizer.load_state_dict({**fresh, "state": state})
    for parameter, values in trainer.optimizer.state.items():
        for key, value in values.items():
            if value.shape == parameter.shape:
                # Moments that lie in memory as their parameter does are updated many at a time.
                values[key] = torch.empty_like(parameter).copy_(value)
