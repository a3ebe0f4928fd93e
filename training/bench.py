"""Time the whole proposal against its pure forward passes and a general-purpose sliced-inference package.

    python -m training.bench [--weights DIR] [--processes 2] [--rounds 3] [--image FILE] [--device auto]

prints, for one picture taken at the detector's own scale: tiles a second of the network alone; how long the
proposal takes on one core and, with tiles side by side, on several; and as ratios how many times the pure
forward passes over the same tiles that is. The package (extra `bench`) looks at the same picture with the
same weights through tiles of our side and overlap; it measures no object and looks at one scale only, so
that its ratio is to the forward passes of that scale. Each figure is the best of several rounds taken in
turn, and ratios of processor time stand beside those of the clock: they hold on a machine that does other
things too. Without `--image`, a field is drawn.

    python -m training.bench --coverslip [--side-mm 22] [--um-per-px 1.0] [--with-service] [--counts 1 2 4]

times a whole drawn coverslip instead; `training.coverslip_bench` says how.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from training import sliced_package
from training.coverslip_bench import bench_coverslip
from training.forward import AT_A_TIME, run_forward
from triage.calibration import state_calibration
from triage.detector import load_detector
from triage.errors import TriageError
from triage.images import Picture, open_picture
from triage.pipeline import OVERLAP_PX, detect_batch, plan_proposal, propose_candidates
from triage.tiles import plan_tiles

DRAWN_SIDE_PX = 2048
_DRAWN_TILE_PX = 1024


@dataclass(frozen=True)
class Seconds:
    """By the clock, and of the processor (all threads of this process)."""

    wall: float
    cpu: float


def time_in_turn(works: dict[str, Callable[[], object]], rounds: int) -> dict[str, Seconds]:
    """The least time of each piece of work over several rounds, in which all are done one after the other."""
    best: dict[str, Seconds] = {}
    for _ in range(rounds):
        for name, work in works.items():
            wall, cpu = time.perf_counter(), time.process_time()
            work()
            spent = Seconds(time.perf_counter() - wall, time.process_time() - cpu)
            last = best.get(name, spent)
            best[name] = Seconds(min(last.wall, spent.wall), min(last.cpu, spent.cpu))
    return best


def bench(
    weights: Path | None, image: Path | None, *, rounds: int, n_side_by_side: int, device: str
) -> dict[str, object]:
    """Every figure, by name; without an image, a field is drawn.

    Raises
    ------
    TriageError
        If weights or picture can't be read.
    """
    with tempfile.TemporaryDirectory() as folder:
        if image is None:
            image = Path(folder) / "drawn.png"
            draw_picture(image, DRAWN_SIDE_PX)
        with open_picture(image) as picture:
            return _bench_picture(picture, weights, rounds, n_side_by_side, device)


def _bench_picture(
    picture: Picture, weights: Path | None, rounds: int, n_side_by_side: int, device: str
) -> dict[str, object]:
    alone = load_detector(weights, threads=1, device=device)
    calibration = state_calibration(alone.um_per_px, None, source="bench")
    plan = plan_proposal(picture, calibration, alone)
    tile_px, n_tiles = alone.tile_px, len(plan.tiles)
    n_sliced = len(plan_tiles((picture.height, picture.width), tile_px, OVERLAP_PX))
    pixels = picture.read_region(0, 0, picture.width, picture.height)
    works: dict[str, Callable[[], object]] = {
        "forward_1": lambda: run_forward(alone, n_tiles),
        "detection_1": lambda: [detect_batch(picture, plan, i, alone) for i in range(plan.n_batches)],
        "proposal_1": lambda: propose_candidates(picture, calibration, alone),
    }
    on_gpu = not alone.runs_on_cpu
    if not on_gpu and n_side_by_side > 1:
        several = load_detector(weights, threads=n_side_by_side, device=device)
        works["forward_several"] = lambda: run_forward(several, n_tiles)
        works["proposal_several"] = lambda: propose_candidates(picture, calibration, several)
    if sliced_package.has_package():
        batch = AT_A_TIME if on_gpu else 1
        works["package_forward"] = lambda: run_forward(alone, n_sliced)
        works["package"] = lambda: sliced_package.look_sliced(pixels, alone, batch=batch)
    else:
        print(
            f"The package {sliced_package.NAME} isn't installed, so it is left out: pip install "
            "'coverslip-triage[bench]'.",
            file=sys.stderr,
        )
    run_forward(alone, 2)
    best = time_in_turn(works, rounds)
    proposal = propose_candidates(picture, calibration, alone)
    figures: dict[str, object] = {
        "device": "gpu" if on_gpu else f"cpu, {os.cpu_count()} cores",
        "load_before": round(os.getloadavg()[0], 1),
        "picture_px": [picture.width, picture.height],
        "tiles": n_tiles,
        "candidates": len(proposal.candidates),
        "outlines": sum(one.ellipse is not None for one in proposal.candidates),
    }
    for name, spent in best.items():
        n = n_sliced if name.startswith("package") else n_tiles
        figures[f"{name}_s"] = round(spent.wall, 3)
        figures[f"{name}_tiles_per_second"] = round(n / spent.wall, 1)
    for name, base in (
        ("detection_1", "forward_1"),
        ("proposal_1", "forward_1"),
        ("proposal_several", "forward_several"),
        ("package", "package_forward"),
    ):
        if name in best:
            figures[f"{name}_over_forward"] = round(best[name].wall / best[base].wall, 3)
            figures[f"{name}_over_forward_cpu"] = round(best[name].cpu / best[base].cpu, 3)
    return figures


def draw_picture(path: Path, side_px: int) -> None:
    """A drawn field as PNG, put together from squares."""
    # Drawing needs torch, which timing an existing picture doesn't.
    from training.synthesize.stream import draw_batch
    from training.synthesize.style import FIELD

    square_px = min(_DRAWN_TILE_PX, side_px)
    a_side = -(-side_px // square_px)
    squares = [
        draw_batch(seed, n=1, tile_px=square_px, style=FIELD)[0][0].permute(1, 2, 0).numpy()
        for seed in range(7, 7 + a_side**2)
    ]
    rows = [np.hstack(squares[start : start + a_side]) for start in range(0, a_side**2, a_side)]
    whole: NDArray[np.uint8] = np.vstack(rows)[:side_px, :side_px]
    Image.fromarray(whole).save(path)


def main(arguments: list[str] | None = None) -> int:
    """Time as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.bench", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--weights", type=Path, help="weights folder (default: shipped)")
    parser.add_argument("--image", type=Path, help="picture to propose for (default: a drawn field)")
    parser.add_argument("--rounds", type=int, default=3, help="the best of so many counts")
    parser.add_argument("--processes", type=int, default=2, help="tiles side by side on a CPU, and measuring")
    parser.add_argument("--device", default="auto", help="cpu, cuda, or auto: a GPU if there is one")
    parser.add_argument("--coverslip", action="store_true", help="time a whole drawn coverslip instead")
    parser.add_argument("--side-mm", type=float, default=22.0, help="its side (default: 22)")
    parser.add_argument("--um-per-px", type=float, default=1.0, help="its pixel size (default: 1)")
    parser.add_argument("--drawn", type=Path, help="folder of its drawn squares, kept for the next time")
    parser.add_argument("--with-service", action="store_true", help="a whole service takes it, too")
    parser.add_argument(
        "--counts", type=int, nargs="+", default=[], help="processes that take work, compared"
    )
    options = parser.parse_args(arguments)
    try:
        figures = _bench_coverslip(options) if options.coverslip else _bench_one(options)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    print(json.dumps(figures, indent=1))
    return 0


def _bench_coverslip(options: argparse.Namespace) -> dict[str, object]:
    return bench_coverslip(
        options.weights,
        side_mm=options.side_mm,
        um_per_px=options.um_per_px,
        n_side_by_side=options.processes,
        device=options.device,
        with_service=options.with_service,
        counts=options.counts,
        drawn=options.drawn,
    )


def _bench_one(options: argparse.Namespace) -> dict[str, object]:
    return bench(
        options.weights,
        options.image,
        rounds=options.rounds,
        n_side_by_side=options.processes,
        device=options.device,
    )


if __name__ == "__main__":
    sys.exit(main())
