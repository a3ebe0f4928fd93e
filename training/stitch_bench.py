"""Hold stitching to drawn scans of known places, and to a reference.

    python -m training.stitch_bench --rows 6 --columns 6 --overlap 0.2 --seed 1 [--blank 0.2] [--foreign 1]

draws a scan, writes its fields under names in no order, stitches them and prints as JSON: how far the placed
fields lie from where they were drawn (the mosaic is laid on the truth as one stiff piece first), which lie
more than 3 px off without being reported, which were left out and why, how far the parts beside the mosaic
are off in themselves, the time by the clock and of the processor, the peak of memory, and the same for the
reference: `skimage.registration.phase_cross_correlation` on every pair of true neighbours,
chained to places by least squares. The reference is told who the neighbours are; the tool is not, unless
`--order as-taken` names the order. The exit code is 1 where a field is placed wrongly.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from training.stitch_timing import TimedRequest, time_apart
from training.synthesize.scan import Scan, ScanPlan, draw_scan
from triage.stitch.place import AS_TAKEN, ORDERS, UNKNOWN
from triage.stitch.records import Placed, Stitching
from triage.stitch.stiff import rotate

WRONG_PX = 3.0
"""A field further off than this is placed wrongly."""


@dataclass(frozen=True)
class ScanFiles:
    """A drawn scan on disk.

    Attributes
    ----------
    paths : tuple of Path
        As they are given to the tool.
    number : dict of str to int
        Number in the scan by file name; foreign fields have none.
    """

    paths: tuple[Path, ...]
    number: dict[str, int]


def write_scan(
    scan: Scan,
    folder: Path,
    *,
    foreign: Sequence[NDArray[np.uint8]] = (),
    order: str = UNKNOWN,
    seed: int = 1,
) -> ScanFiles:
    """Write the fields as PNG, with those of another scan, shuffled unless the order is as taken."""
    pictures = [*scan.fields, *foreign]
    turn = np.arange(len(pictures))
    if order == UNKNOWN:
        turn = np.random.default_rng([seed, 11]).permutation(len(pictures))
    paths, number = [], {}
    for place, which in enumerate(turn.tolist()):
        path = folder / f"picture-{place:04}.png"
        Image.fromarray(pictures[which]).save(path, compress_level=1)
        paths.append(path)
        if which < len(scan.fields):
            number[path.name] = which
    return ScanFiles(tuple(paths), number)


def measure_off_px(found_xy: NDArray[np.float64], true_xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of each found place from its true one, once laid over each other without stretching.

    Parameters
    ----------
    found_xy, true_xy : ndarray of shape (N, 2)

    Notes
    -----
    Shift and turn are those that the closest half of the places ask for, so that a few wrong ones can't pull
    the others off. With fewer than three places only the shift is taken out.
    """
    kept = np.ones(len(found_xy), dtype=bool)
    off = np.zeros(len(found_xy))
    for _ in range(20):
        found, true = found_xy[kept], true_xy[kept]
        found_middle, true_middle = found.mean(axis=0), true.mean(axis=0)
        u, _, vt = np.linalg.svd((found - found_middle).T @ (true - true_middle))
        stiff = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
        if len(found_xy) < 3:
            stiff = np.eye(2)
        off = np.hypot(*((found_xy - found_middle) @ stiff + true_middle - true_xy).T)
        now = off <= max(float(np.median(off)) * 3, 0.5)
        if (now == kept).all():
            break
        kept = now
    return off


def judge_places(stitching: Stitching, files: ScanFiles, scan: Scan) -> dict[str, Any]:
    """Errors of the placed fields, and what became of the others."""
    height, width = stitching.field_hw
    placed = [one for one in stitching.placed if one.by == "overlap" and one.name in files.number]
    foreign = [one for one in stitching.placed if one.name not in files.number]
    by_steps = [one for one in stitching.placed if one.by != "overlap" and one.name in files.number]
    both = placed + by_steps
    numbers = [files.number[one.name] for one in both]
    found_xy = np.array([(one.x + width / 2, one.y + height / 2) for one in both])
    # The frame is fixed by the fields that were measured; those placed by regularity are held to it.
    off = _measure_from(found_xy, scan.middle_xy[numbers], len(placed))
    measured, stepped = off[: len(placed)], off[len(placed) :]
    blank_out = sum(
        scan.is_blank[files.number[one.name]] for one in stitching.left_out if one.name in files.number
    )
    foreign_out = sum(one.name not in files.number for one in stitching.left_out)
    turns = np.array([one.turn_deg for one in placed]) - scan.turn_deg[numbers[: len(placed)]]
    return {
        "fields": len(scan.fields),
        "placed": len(placed),
        "median_px": _round(np.median(measured)),
        "p95_px": _round(np.percentile(measured, 95)),
        "max_px": _round(measured.max()),
        "turn_max_error_deg": _round(np.abs(turns - np.median(turns)).max()),
        "wrong_unreported": int((measured > WRONG_PX).sum()) + len(foreign),
        "least_sureness": min(one.sureness for one in placed),
        "largest_sd_px": _round(max(one.sd_px for one in placed)),
        "by_regularity": len(by_steps),
        "by_regularity_max_px": _round(stepped.max()) if by_steps else None,
        "contradicting": len(stitching.contradicting),
        "left_out": len(stitching.left_out),
        "left_out_blank": int(blank_out),
        "left_out_foreign": int(foreign_out),
        "parts": [_judge_part(part.placed, stitching.field_hw, files, scan) for part in stitching.parts],
        "reasons": {one.name: one.reason for one in stitching.left_out},
    }


def _judge_part(
    placed: Sequence[Placed], field_hw: tuple[int, int], files: ScanFiles, scan: Scan
) -> dict[str, Any]:
    """How far the fields of a part lie off each other; how the whole part lies and is turned is free."""
    known = [one for one in placed if one.name in files.number]
    numbers = [files.number[one.name] for one in known]
    found_xy = np.array([(one.x + field_hw[1] / 2, one.y + field_hw[0] / 2) for one in known]).reshape(-1, 2)
    off = np.zeros(1)
    if known:
        # Two places don't say how a part is turned, but how their fields are turned does.
        turn = np.deg2rad(np.mean([one.turn_deg for one in known] - scan.turn_deg[numbers]))
        off = measure_off_px(found_xy @ rotate(float(turn)), scan.middle_xy[numbers])
    return {"fields": len(placed), "max_px": _round(off.max()), "foreign": len(placed) - len(known)}


def _measure_from(
    found_xy: NDArray[np.float64], true_xy: NDArray[np.float64], n_fixing: int
) -> NDArray[np.float64]:
    off = measure_off_px(found_xy[:n_fixing], true_xy[:n_fixing])
    good = np.flatnonzero(off <= WRONG_PX)
    if n_fixing == len(found_xy) or not len(good):
        return off
    rest = np.arange(n_fixing, len(found_xy))
    shift = np.median(found_xy[good] - true_xy[good], axis=0)
    return np.concatenate([off, np.hypot(*(found_xy[rest] - true_xy[rest] - shift).T)])


def list_neighbours(plan: ScanPlan) -> list[tuple[int, int]]:
    """Fields beside or below each other, by their numbers in the scan."""
    at: dict[tuple[int, int], int] = {}
    for number in range(plan.rows * plan.columns):
        row, along = divmod(number, plan.columns)
        at[row, along if row % 2 == 0 else plan.columns - 1 - along] = number
    beside = [(at[r, c], at[r, c + 1]) for r in range(plan.rows) for c in range(plan.columns - 1)]
    return beside + [(at[r, c], at[r + 1, c]) for r in range(plan.rows - 1) for c in range(plan.columns)]


def measure_reference(scan: Scan, plan: ScanPlan) -> dict[str, Any]:
    """Error and time of chained `phase_cross_correlation` on true neighbours.

    Notes
    -----
    Each pair is cut to the overlap that the plan's steps ask for; the function is given a tenth of a pixel.
    """
    from skimage.registration import phase_cross_correlation

    start = time.perf_counter()
    greys = [np.asarray(field, np.float32).mean(axis=2) for field in scan.fields]
    lamp = np.median(np.stack(greys), axis=0)
    even = [grey / lamp for grey in greys]
    height, width = plan.field_hw
    pairs = list_neighbours(plan)
    rows, wanted = np.zeros((len(pairs) + 1, len(even))), np.zeros((len(pairs) + 1, 2))
    step = np.array([(1 - plan.overlap) * width, (1 - plan.overlap) * height])
    grid = _find_grid(plan)
    for row, (first, second) in enumerate(pairs):
        dx, dy = (round(float(value)) for value in (grid[second] - grid[first]) * step)
        ours = even[first][max(0, dy) : height + min(0, dy), max(0, dx) : width + min(0, dx)]
        theirs = even[second][max(0, -dy) : height + min(0, -dy), max(0, -dx) : width + min(0, -dx)]
        shift_yx = phase_cross_correlation(ours, theirs, upsample_factor=10)[0]
        rows[row, first], rows[row, second] = -1, 1
        wanted[row] = np.array([dx, dy]) + shift_yx[::-1]
    rows[-1, 0] = 1
    found_xy = np.linalg.lstsq(rows, wanted, rcond=None)[0]
    seconds = time.perf_counter() - start
    off = measure_off_px(found_xy, scan.middle_xy)
    return {
        "median_px": _round(np.median(off)),
        "max_px": _round(off.max()),
        "wrong": int((off > WRONG_PX).sum()),
        "seconds": _round(seconds),
        "seconds_a_pair": _round(seconds / len(pairs)),
    }


def _find_grid(plan: ScanPlan) -> NDArray[np.float64]:
    row, along = np.divmod(np.arange(plan.rows * plan.columns), plan.columns)
    return np.stack([np.where(row % 2 == 0, along, plan.columns - 1 - along), row], axis=1).astype(np.float64)


def _round(value: float | np.floating[Any]) -> float:
    return round(float(value), 4)


def run_bench(
    plan: ScanPlan, *, foreign: int, order: str, by_regularity: bool, has_reference: bool, folder: Path
) -> dict[str, Any]:
    """Draw, stitch and judge one scan; all figures.

    Parameters
    ----------
    plan : ScanPlan
    foreign : int
        Fields of another scan among them.
    order : str
    by_regularity : bool
    has_reference : bool
        Whether the reference is measured, too.
    folder : Path
        Takes the fields and the mosaic.
    """
    scan = draw_scan(plan)
    strangers: list[NDArray[np.uint8]] = []
    if foreign:
        other = ScanPlan(
            rows=1, columns=foreign, field_hw=plan.field_hw, overlap=0.0, seed=plan.seed + 1_000_003
        )
        strangers = draw_scan(other).fields
    files = write_scan(scan, folder, foreign=strangers, order=order, seed=plan.seed)
    out = folder / "mosaic.ome.tif"
    timed = time_apart(TimedRequest(files.paths, out, order, by_regularity), folder)
    stitching, whole = timed.stitching, sum(timed.seconds.values())
    ours = judge_places(stitching, files, scan)
    mosaic_mpx = stitching.shape_hw[0] * stitching.shape_hw[1] / 1e6
    figures = {
        "places": ours,
        "seconds": {step: _round(value) for step, value in timed.seconds.items()},
        "processor_seconds": {step: _round(value) for step, value in timed.processor_seconds.items()},
        "seconds_a_field": _round(whole / len(files.paths)),
        "mosaic_mpx": _round(mosaic_mpx),
        "peak_mib": timed.peak_mib,
    }
    if not has_reference:
        return figures
    reference = measure_reference(scan, plan)
    return figures | {
        "reference": reference,
        "ratio_of_placing_seconds": _round(timed.seconds["place"] / reference["seconds"]),
        "ratio_of_max_px": _round(ours["max_px"] / max(reference["max_px"], 1e-4)),
    }


def main(arguments: list[str] | None = None) -> int:
    """Measure as the command line says."""
    parser = argparse.ArgumentParser(
        prog="python -m training.stitch_bench", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--rows", type=int, default=6)
    parser.add_argument("--columns", type=int, default=6)
    parser.add_argument("--height", type=int, default=480, help="rows of a field in pixels")
    parser.add_argument("--width", type=int, default=640, help="columns of a field in pixels")
    parser.add_argument("--overlap", type=float, default=0.2, help="share that two fields both show")
    parser.add_argument("--jitter", type=float, default=15.0, help="greatest error of a step in pixels")
    parser.add_argument("--tilt", type=float, default=1.0, help="degrees of the camera against the stage")
    parser.add_argument(
        "--turn", type=float, default=0.0, help="greatest further turn of single fields, degrees"
    )
    parser.add_argument("--blank", type=float, default=0.0, help="share of fields that are empty glass")
    parser.add_argument("--noise", type=float, default=3.0, help="grain in grey levels")
    parser.add_argument("--foreign", type=int, default=0, help="fields of another slide among them")
    parser.add_argument("--order", choices=ORDERS, default=UNKNOWN)
    parser.add_argument("--by-regularity", action="store_true", help="place blank fields by the scan's steps")
    parser.add_argument(
        "--no-reference", action="store_true", help="leave out the reference, for large scans"
    )
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    if min(options.rows, options.columns) < 2 or not 0 < options.overlap <= 0.9 or options.seed < 0:
        parser.error("--rows and --columns must be 2 or more, --overlap from 0 to 0.9, --seed 0 or more")
    if not 0 <= options.blank < 1 or options.foreign < 0 or min(options.height, options.width) < 64:
        parser.error("--blank must be from 0 to 1, --foreign 0 or more, --height and --width 64 or more")
    if options.by_regularity and options.order != AS_TAKEN:
        parser.error(f"--by-regularity needs --order {AS_TAKEN}")
    plan = ScanPlan(
        rows=options.rows,
        columns=options.columns,
        field_hw=(options.height, options.width),
        overlap=options.overlap,
        jitter_px=options.jitter,
        tilt_deg=options.tilt,
        turn_deg=options.turn,
        blank_share=options.blank,
        noise=options.noise,
        seed=options.seed,
    )
    with tempfile.TemporaryDirectory() as folder:
        figures = run_bench(
            plan,
            foreign=options.foreign,
            order=options.order,
            by_regularity=options.by_regularity,
            has_reference=not options.no_reference,
            folder=Path(folder),
        )
    print(json.dumps(figures, indent=1))
    return int(figures["places"]["wrong_unreported"] > 0)


if __name__ == "__main__":
    sys.exit(main())
