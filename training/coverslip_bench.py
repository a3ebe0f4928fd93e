"""Time a whole coverslip from its file to the ranked list, against the pure forward passes and a plain loop.

    python -m training.bench --coverslip [--side-mm 22] [--um-per-px 1.0] [--processes 2] [--device auto]

A mosaic of drawn squares is written as a tiled TIFF, then opened, looked at batch by batch, merged, measured
and concluded, as the service does. In between, every so many batches, the network alone looks at as many
tiles of grain (the pure forward passes), and a plain loop reads the tiles of the batch and only then looks
at them. What each would take for all tiles follows from these samples; so the ratios hold on a machine that
does other things too, and seconds are as good as the machine is idle. A quarter of the area is timed first:
the cost per tile of the whole over that of the quarter says whether the cost grows linearly (per tile, since
a smaller picture may be looked at in more scales). `--with-service` sends the same mosaic to a whole service
(upload, pyramid, candidates) and adds its memory and its seconds; `--counts 1 2 4` adds how many times one
process's work so many do.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from training.forward import run_forward
from training.repeated_tiff import write_mosaic
from training.service_memory import measure_service_memory
from triage.calibration import state_calibration
from triage.detector import Detector, load_detector
from triage.errors import RecordError
from triage.groups import read_groups
from triage.images import Picture, open_picture
from triage.measurers import Measurers, share_measuring
from triage.merge import join_detections
from triage.pipeline import (
    ProposalPlan,
    begin_looking,
    conclude_measured,
    measure_part,
    merge_batches,
    part_ranked,
    plan_proposal,
)
from triage.records import Detections
from triage.tiles import BATCH_TILES, Tile, cut_tile, tile_scale, to_picture_frame

SQUARE_PX = 1024
SAMPLED_BATCHES = 8
"""Of all batches, so many are sampled, evenly spread."""
_LEAST_SIDE_MM, _MOST_SIDE_MM = 0.5, 50.0
_DRAWN = (("field", 2), ("background", 6))
_SEED = 515


@dataclass
class Spent:
    """Seconds by the clock, and of the processor (all threads of this process)."""

    wall: float = 0.0
    cpu: float = 0.0

    def time(self, work: Callable[[], object]) -> object:
        """Do a piece of work and add what it took."""
        wall, cpu = time.perf_counter(), time.process_time()
        done = work()
        self.wall += time.perf_counter() - wall
        self.cpu += time.process_time() - cpu
        return done


@dataclass
class Timed:
    """What each part of one coverslip took; `forward` and `plain` of the sampled tiles alone.

    Attributes
    ----------
    mpx : float
        Of the picture.
    n_tiles, n_sampled, n_candidates : int
    first_s : float
        From opening the file until the first batch had been looked at.
    """

    mpx: float
    n_tiles: int = 0
    n_sampled: int = 0
    n_candidates: int = 0
    first_s: float = 0.0
    opening: Spent = field(default_factory=Spent)
    looking: Spent = field(default_factory=Spent)
    merging: Spent = field(default_factory=Spent)
    measuring: Spent = field(default_factory=Spent)
    concluding: Spent = field(default_factory=Spent)
    forward: Spent = field(default_factory=Spent)
    plain: Spent = field(default_factory=Spent)

    def total(self) -> Spent:
        """From the file to the ranked list."""
        parts = (self.opening, self.looking, self.merging, self.measuring, self.concluding)
        return Spent(sum(one.wall for one in parts), sum(one.cpu for one in parts))

    def whole(self, sampled: Spent) -> Spent:
        """What the sampled work would have taken for all tiles."""
        times = self.n_tiles / self.n_sampled
        return Spent(times * sampled.wall, times * sampled.cpu)


def bench_coverslip(
    weights: Path | None,
    *,
    side_mm: float,
    um_per_px: float,
    n_side_by_side: int,
    device: str,
    drawn: Path | None = None,
    with_service: bool = False,
    counts: Sequence[int] = (),
) -> dict[str, object]:
    """Every figure, by name.

    Parameters
    ----------
    drawn : Path, optional
        Folder of squares drawn before at this pixel size; they are drawn there where there are none.

    Raises
    ------
    TriageError
        If weights can't be read, or the numbers draw no picture.
    """
    if not (_LEAST_SIDE_MM <= side_mm <= _MOST_SIDE_MM and 0.1 <= um_per_px <= 5):
        raise RecordError(
            f"A side of {side_mm:g} mm at {um_per_px:g} µm/px can't be drawn; the side must be from "
            f"{_LEAST_SIDE_MM:g} to {_MOST_SIDE_MM:g} mm, the pixel size from 0.1 to 5 µm."
        )
    side_px = round(1000 * side_mm / um_per_px)
    detector = load_detector(weights, threads=n_side_by_side, device=device)
    with tempfile.TemporaryDirectory() as folder:
        mosaic, quarter = Path(folder) / "mosaic.tif", Path(folder) / "quarter.tif"
        squares = find_squares(drawn or Path(folder) / "drawn", um_per_px)
        write_mosaic(squares, quarter, side_px // 2)
        write_mosaic(squares, mosaic, side_px)
        small = time_coverslip(quarter, detector, um_per_px)
        timed = time_coverslip(mosaic, detector, um_per_px)
        of_service = _ask_service(mosaic, Path(folder), um_per_px) if with_service else {}
    figures: dict[str, object] = {
        "device": f"cpu, {os.cpu_count()} cores" if detector.runs_on_cpu else "gpu",
        "threads": n_side_by_side,
        "load_before": round(os.getloadavg()[0], 1),
        "side_mm": side_mm,
        "um_per_px": um_per_px,
        "mpx": round(timed.mpx, 1),
        "tiles": timed.n_tiles,
        "candidates": timed.n_candidates,
    }
    figures |= to_figures(timed, small) | of_service
    if counts:
        # Drawing needs torch, whose memory would be counted.
        from training.workers_bench import time_workers

        figures["times_one_process"] = {
            str(one.n_processes): round(one.times_one, 2) for one in time_workers(counts=counts)
        }
    return figures


def _ask_service(mosaic: Path, folder: Path, um_per_px: float) -> dict[str, object]:
    """Memory and seconds of a whole service that takes the mosaic."""
    measured = measure_service_memory(mosaic, folder, um_per_px=um_per_px)
    return {
        "service_state": measured.state,
        "service_peak_memory_mib": round(measured.peak_mib),
        "service_peak_memory_of_phase_mib": {
            name: round(mib) for name, mib in measured.peak_of_phase_mib.items()
        },
        "service_s": {name: round(seconds, 1) for name, seconds in measured.seconds_of_phase.items()},
    }


def to_figures(timed: Timed, small: Timed) -> dict[str, object]:
    """Seconds, ratios and memory, by name; `small` is a quarter of the area."""
    total, forward, plain = timed.total(), timed.whole(timed.forward), timed.whole(timed.plain)
    parts = ("opening", "looking", "merging", "measuring", "concluding")
    figures: dict[str, object] = {f"{name}_s": round(getattr(timed, name).wall, 2) for name in parts}
    return figures | {
        "first_candidates_s": round(timed.first_s, 2),
        "total_s": round(total.wall, 2),
        "forward_s": round(forward.wall, 2),
        "mpx_per_second": round(timed.mpx / total.wall, 2),
        "total_over_forward": round(total.wall / forward.wall, 3),
        "total_over_forward_cpu": round(total.cpu / forward.cpu, 3),
        "looking_over_forward": round(timed.looking.wall / forward.wall, 3),
        "looking_over_forward_cpu": round(timed.looking.cpu / forward.cpu, 3),
        "looking_over_plain_loop": round(timed.looking.wall / plain.wall, 3),
        "cost_per_tile_over_quarter_cpu": round(
            (total.cpu / timed.n_tiles) / (small.total().cpu / small.n_tiles), 3
        ),
        # The most that this process ever held; Linux counts in kibibytes.
        "peak_memory_mib": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    }


def time_coverslip(path: Path, detector: Detector, um_per_px: float) -> Timed:
    """Propose for one picture as the service does, step by step, with samples in between."""
    calibration = state_calibration(um_per_px, None, source="bench")
    opening = Spent()
    opened = opening.time(lambda: open_picture(path))
    assert isinstance(opened, Picture)
    with opened as picture:
        plan = plan_proposal(picture, calibration, detector)
        # What the first tiles of a size take more of is no part of the work.
        run_forward(detector, 2, plan.tile_px)
        timed = Timed(picture.width * picture.height / 1e6, n_tiles=len(plan.tiles), opening=opening)
        before = _children_cpu()
        with share_measuring(picture, detector.threads) as measurers:
            _look(picture, plan, detector, measurers, timed)
        # Of processes that measure, with their start; known once they have ended.
        timed.measuring.cpu += _children_cpu() - before
    return timed


def _children_cpu() -> float:
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    return ended.ru_utime + ended.ru_stime


def _look(
    picture: Picture, plan: ProposalPlan, detector: Detector, measurers: Measurers | None, timed: Timed
) -> None:
    found: list[Detections] = []
    every = max(1, plan.n_batches // SAMPLED_BATCHES)
    looker = begin_looking(picture, plan, detector)
    for index in range(plan.n_batches):
        timed.looking.time(lambda at=index: found.append(looker.look(at)))
        if index == 0:
            timed.first_s = timed.opening.wall + timed.looking.wall
        if index % every == every // 2:
            tiles = plan.tiles[index * BATCH_TILES : (index + 1) * BATCH_TILES]
            timed.n_sampled += len(tiles)
            # The next tiles must not be looked at during the sample.
            timed.looking.time(looker.settle)
            timed.forward.time(lambda some=tiles: run_forward(detector, len(some), plan.tile_px))
            timed.plain.time(lambda some=tiles: look_plainly(picture, some, plan, detector))
    looker.close()
    merged = timed.merging.time(lambda: merge_batches(picture, plan, found))
    assert isinstance(merged, Detections)
    threads = detector.threads
    timed.measuring.time(
        lambda: [
            measure_part(picture, plan, part, threads=threads, measurers=measurers)
            for part in part_ranked(plan, merged)
        ]
    )
    timed.concluding.time(lambda: conclude_measured(picture, plan, (), threads=threads))
    timed.n_candidates = len(merged.scores)


def look_plainly(
    picture: Picture, tiles: tuple[Tile, ...], plan: ProposalPlan, detector: Detector
) -> Detections:
    """The detections of some tiles, all read first and then looked at."""
    pixels = np.stack([cut_tile(picture, tile, plan.tile_px) for tile in tiles])
    scales = [tile_scale(tile, plan.um_per_px, picture.width) for tile in tiles]
    picture_hw = (picture.height, picture.width)
    parts = [
        to_picture_frame(one, tile, picture_hw)
        for one, tile in zip(detector.detect(pixels, scales), tiles, strict=True)
    ]
    return join_detections(parts, len(read_groups()))


def find_squares(folder: Path, um_per_px: float) -> list[Path]:
    """The squares of a folder, drawn where it has none."""
    drawn = [path for style, _ in _DRAWN for path in sorted(folder.glob(f"{style}/images/*"))]
    return drawn or draw_squares(folder, um_per_px)


def draw_squares(folder: Path, um_per_px: float) -> list[Path]:
    """Drawn squares, most without eggs; another process draws them, so that its memory isn't counted."""
    paths: list[Path] = []
    workers = str(min(8, os.cpu_count() or 1))
    for style, n in _DRAWN:
        options = {"--n": n, "--style": style, "--seed": _SEED, "--width": SQUARE_PX, "--height": SQUARE_PX}
        command = [sys.executable, "-m", "training.synthesize", "--out", str(folder / style)]
        command += [text for name, value in options.items() for text in (name, str(value))]
        subprocess.run([*command, "--um-per-px", str(um_per_px), "--workers", workers], check=True)
        paths += sorted((folder / style / "images").iterdir())
    return paths
