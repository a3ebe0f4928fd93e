"""The parts of a training that is ended and goes on: where it stands, when a part ends, what was reported."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Self

from training.checkpoint import find_checkpoint, read_standing, write_checkpoint
from training.engine import Trainer, TrainingError
from training.parallel import Share, agree
from training.settings import Settings, fixed_settings
from training.start_weights import start_folder
from triage.digests import file_sha256
from triage.weights import read_record


def stop_time(settings: Settings, started_s: float) -> float:
    """When this part ends, by `time.monotonic`."""
    return started_s + settings.stop_after * 60 if settings.stop_after else float("inf")


def choose_checkpoint(settings: Settings) -> Path | None:
    """The checkpoint to go on from; None to begin.

    Raises
    ------
    TrainingError
        If there is one and it is not to be resumed, or was begun with other settings.
    """
    path = find_checkpoint(settings.out)
    if path is None:
        return None
    if not settings.resume:
        raise TrainingError(
            f"{settings.out} holds the checkpoint {path.name} of a training that has not ended. "
            "Add --resume to go on, or name another folder."
        )
    # A setting that came into the program after the training began had its default then.
    begun = {**_fix(Settings(settings.out)), **read_standing(path).settings}
    asked = _fix(settings)
    differing = [key for key in asked if begun[key] != asked[key]]
    if differing:
        told = ", ".join(f"{key} {begun[key]} there, {asked[key]} now" for key in differing)
        raise TrainingError(
            f"{path} was begun with other settings ({told}). "
            "Resume with the same ones, or name another folder."
        )
    return path


def hash_data(data: Path | None) -> str | None:
    """SHA-256 of a labelled set's manifest (else of its annotations), which holds those of its pictures."""
    if data is None:
        return None
    # Pictures need libraries that a machine which only draws may lack.
    from triage.labelled_set import ANNOTATIONS_FILE, MANIFEST_FILE

    manifest = data / MANIFEST_FILE
    return file_sha256(manifest if manifest.is_file() else data / ANNOTATIONS_FILE)


def _fix(settings: Settings) -> dict[str, str]:
    """What must stay the same, set and start by what they hold: another machine has them in other folders."""
    fixed = fixed_settings(settings) | {"data": str(hash_data(settings.data))}
    if settings.start not in ("imagenet", "none"):
        fixed["start"] = read_record(start_folder(settings.start)).weights_sha256
    return fixed


class Keeper:
    """Writes a checkpoint every so often and says when this part ends; the same in all processes.

    Parameters
    ----------
    settings : Settings
        `checkpoint_every` and what must stay the same.
    trainer : Trainer
        Whose standing is written.
    share : Share
        The first process writes.
    stop_at_s : float
        When this part ends, by `time.monotonic`.
    """

    def __init__(self, settings: Settings, trainer: Trainer, share: Share, stop_at_s: float) -> None:
        self._settings = settings
        # The files that it names may be gone later; they are read once.
        self._fixed = _fix(settings)
        self._trainer = trainer
        self._share = share
        self._stop_at_s = stop_at_s
        self._written_s = time.monotonic()

    def __call__(self) -> bool:
        """Called after each step; True ends this part."""
        now = time.monotonic()
        if now - self._written_s >= self._settings.checkpoint_every:
            self.write()
        if self._stop_at_s == float("inf"):
            return False
        return bool(agree(float(now >= self._stop_at_s), self._trainer.device))

    def write(self) -> None:
        """Write a checkpoint now."""
        if self._share.is_first:
            write_checkpoint(self._settings.out, self._trainer, self._fixed)
        self._written_s = time.monotonic()


class Log:
    """The losses of a training, printed and written down, a line each; goes on where it was resumed.

    Parameters
    ----------
    path : Path
        Lines beyond `step`, of a part that was lost, are taken out.
    step : int
        Where the training stands.
    is_first : bool
        Whether this process reports.
    """

    def __init__(self, path: Path, step: int, *, is_first: bool) -> None:
        self._path = path
        self._step = step
        self._is_first = is_first

    def __enter__(self) -> Self:
        if self._is_first:
            lines = self._path.read_text(encoding="utf-8").splitlines() if self._path.is_file() else []
            kept = [line for line in lines if json.loads(line).get("step", self._step + 1) <= self._step]
            self._file = self._path.open("w", encoding="utf-8")
            self._file.writelines(f"{line}\n" for line in kept)
        return self

    def __exit__(self, *_: object) -> None:
        if self._is_first:
            self._file.close()

    def add(self, values: Mapping[str, object]) -> None:
        """Print and write one line."""
        if self._is_first:
            print(json.dumps(values), flush=True)
            print(json.dumps(values), file=self._file, flush=True)
