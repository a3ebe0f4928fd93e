"""Started programs of `training`: the only way in which the service reaches it, files aside."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from service.errors import NoTrainingError, WorkError

# What runs a module by its name; tests put a small program in its place.
RUN_MODULE: tuple[str, ...] = (sys.executable, "-m")
NEEDED_PACKAGES = ("torch", "torchvision", "onnx", "onnxscript", "faster_coco_eval", "matplotlib")
# What a started program needs to know of neither records nor stores.
PRIVATE = ("COVERSLIP_", "PG", "AWS_")
LOOK_EVERY_S = 0.5


def check_training_packages() -> None:
    """Make sure that this machine can train.

    Raises
    ------
    NoTrainingError
        If packages are missing; the message names them.
    """
    missing = [name for name in NEEDED_PACKAGES if importlib.util.find_spec(name) is None]
    if missing:
        raise NoTrainingError(
            f"The machine that takes work lacks packages for training ({', '.join(missing)}). "
            "Install them there with: pip install 'coverslip-triage[train]'."
        )


def run_module(
    name: str, arguments: Sequence[str], *, folder: Path, threads: int, on_wait: Callable[[], None]
) -> None:
    """Run a program of `training` at low priority until it ends.

    Parameters
    ----------
    name : str
        Of the module, such as `training.train`.
    arguments : sequence of str
    folder : Path
        What it says goes to a file there; in its sentences the folder is left out.
    threads : int
        Threads for its arithmetic.
    on_wait : callable
        Called twice a second; what it raises ends the program.

    Raises
    ------
    WorkError
        If it ended with another status than 0; the message is its own sentence where it left one.
    """
    said = folder / f"{name}.log"
    command = [sys.executable, "-m", "service.leash", *RUN_MODULE, name, *arguments]
    with (
        said.open("wb") as sink,
        subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=sink, env=_environment(threads)
        ) as program,
    ):
        try:
            while (status := _wait(program)) is None:
                on_wait()
        except BaseException:
            assert program.stdin is not None
            with suppress(OSError):
                program.stdin.close()
            raise
    if status != 0:
        raise WorkError(_find_sentence(said, name, folder))


def _wait(program: subprocess.Popen[bytes]) -> int | None:
    end = time.monotonic() + LOOK_EVERY_S
    while (status := program.poll()) is None and time.monotonic() < end:
        time.sleep(0.02)
    return status


def _environment(threads: int) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(PRIVATE)}
    return {**kept, "OMP_NUM_THREADS": str(threads), "OPENBLAS_NUM_THREADS": str(threads)}


def _find_sentence(said: Path, name: str, folder: Path) -> str:
    lines = said.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    if not lines or any(line.startswith("Traceback ") for line in lines):
        return f"The program {name} failed; what it said is in the log of the service. Tell its keeper."
    return lines[-1].replace(f"{folder}/", "")
