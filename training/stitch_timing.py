"""Stitches in a process of its own that imports little else: its memory and time are those of stitching.

    python -m training.stitch_timing REQUEST ANSWER

reads a pickled `TimedRequest` and writes a pickled `Timed`.
"""

from __future__ import annotations

import pickle
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from triage.stitch.fields import open_fields
from triage.stitch.records import Stitching
from triage.stitch.scan import plan_mosaic, write_plan

_STEPS = ("read", "place", "write")


@dataclass(frozen=True)
class TimedRequest:
    """What to stitch, as `triage.stitch.scan.stitch` takes it."""

    paths: tuple[Path, ...]
    out: Path
    order: str
    by_regularity: bool


@dataclass(frozen=True)
class Timed:
    """A stitching, seconds of each step by the clock and of the processor, peak of resident memory in MiB."""

    stitching: Stitching
    seconds: dict[str, float]
    processor_seconds: dict[str, float]
    peak_mib: int


def time_apart(request: TimedRequest, folder: Path) -> Timed:
    """Stitch in a new process.

    Raises
    ------
    RuntimeError
        If it fails; with what it said last.
    """
    asked, answered = folder / "request.pickle", folder / "answer.pickle"
    asked.write_bytes(pickle.dumps(request))
    command = [sys.executable, "-m", "training.stitch_timing", str(asked), str(answered)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    if run.returncode:
        raise RuntimeError(f"Stitching failed: {run.stderr.strip().splitlines()[-1:]}")
    timed: Timed = pickle.loads(answered.read_bytes())
    return timed


def stitch_and_time(request: TimedRequest) -> Timed:
    """Stitch in this process."""
    times = [_read_clocks()]
    with tempfile.TemporaryDirectory() as folder:
        fields = open_fields(request.paths, Path(folder))
        times.append(_read_clocks())
        plan = plan_mosaic(fields, order=request.order, by_regularity=request.by_regularity)
        times.append(_read_clocks())
    write_plan(plan, request.out)
    times.append(_read_clocks())
    by_clock, of_processor = (
        dict(zip(_STEPS, (after - before for before, after in pairwise(clock)), strict=True))
        for clock in zip(*times, strict=True)
    )
    return Timed(plan.stitching, by_clock, of_processor, _read_peak_mib())


def _read_clocks() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _read_peak_mib() -> int:
    """Peak of resident memory of this program alone; the kernel's other figure starts at the parent's."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return round(int(line.split()[1]) / 1024)
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


if __name__ == "__main__":
    # Pickles name the module that a class is from, and this one runs under another name.
    from training import stitch_timing

    wanted = pickle.loads(Path(sys.argv[1]).read_bytes())
    Path(sys.argv[2]).write_bytes(pickle.dumps(stitch_timing.stitch_and_time(wanted)))
