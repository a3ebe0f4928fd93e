"""What labelling some slides of one's own brings: drawn hospitals, simulated readers, training, judging.

    python -m training.hospitals --out DIR [--hospitals 3 | --only phone] [--labels 10 20 50 100]
        [--slides-judged 40] [--workers 16] [--device cuda] [--minutes 9]

draws hospitals that differ in light, stain, debris, microscope and camera (`training.drawn_hospitals`),
marks their slides as readers would who miss, misname and misplace some (`training.simulated_readers`), adapts
the shipped detector to so many of them as `training.train --from-shipped` does, and judges each on other
slides of the same hospital, which no training reads, and on drawn fields of all sorts, which it may forget. A
slide is one drawn field of 1,000 x 750 px. Writes DIR/figures.json and DIR/recall.png and prints a table; 0
labels is the shipped detector. The same command goes on where a time limit cut it, trainings at their last
checkpoint.
"""

from __future__ import annotations

import argparse
import json
import shlex
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import Any

from training.dataset import MarkedPicture
from training.drawn import draw_slides
from training.drawn_hospitals import HOSPITALS, Hospital, Order, draw_orders, lock
from training.engine import TrainingError
from training.hospital_figures import FORGOTTEN, OWN, summarise, to_lines, to_panels
from training.label_plots import draw_labels
from training.settings import ADAPTING, Settings
from training.shared_tiles import find_tiles
from training.side_by_side import open_trials
from training.simulated_readers import ReaderRates, mark_as_readers
from training.supply import open_stocks
from training.synthesize.processes import open_some
from training.synthesize.style import FIELD
from training.trials import FALSE_PER_SLIDE, Trial, keep_settings
from triage.errors import TriageError

SHAPE_HW = (750, 1000)
GENERAL = Hospital("general drawn fields", 0.5, replace(FIELD, least_candidates=1))
FIGURES_FILE, PLOT_FILE = "figures.json", "recall.png"
_POOL_SEED, _JUDGED_SEED, _GENERAL_SEED = 41_000, 42_000, 43_000


def order_slides(options: argparse.Namespace) -> list[Order]:
    """General fields first, then what may be labelled and what is judged on, hospital by hospital."""
    orders = [_order(options, GENERAL, "general", options.general, _GENERAL_SEED)]
    for hospital in list_hospitals(options):
        stem, number = _stem(hospital), list(HOSPITALS).index(hospital.name)
        orders += [
            _order(options, hospital, f"{stem}/pool", max(options.labels), _POOL_SEED + number),
            _order(options, hospital, f"{stem}/judged", options.slides_judged, _JUDGED_SEED + number),
        ]
    return orders


def list_hospitals(options: argparse.Namespace) -> list[Hospital]:
    """Those that were asked for: by name, or the first ones."""
    return [HOSPITALS[name] for name in options.only or list(HOSPITALS)[: options.hospitals]]


def _order(options: argparse.Namespace, hospital: Hospital, folder: str, n: int, seed: int) -> Order:
    return Order(options.out / "slides" / folder, hospital, n, seed + 1000 * options.seed, SHAPE_HW)


def _stem(hospital: Hospital) -> str:
    return hospital.name.replace(" ", "-")


def plan_trials(
    drawn: Sequence[list[MarkedPicture]],
    hospitals: Sequence[Hospital],
    labels: Sequence[int],
    rates: ReaderRates,
    *,
    seed: int,
) -> list[Trial]:
    """What is to be trained on which slides and judged on which others.

    Hospital by hospital and the largest numbers first, since they take longest; so that where a time limit
    cuts, the curves of the first hospitals are whole.

    Parameters
    ----------
    drawn : sequence of list of MarkedPicture
        As `order_slides` orders them.
    hospitals : sequence of Hospital
    labels : sequence of int
    rates : ReaderRates
    seed : int
        Of readers and trainings.
    """
    general, *rest = drawn
    trials = []
    for hospital, pool, judged in zip(hospitals, rest[::2], rest[1::2], strict=True):
        marked = mark_as_readers(pool, rates, seed=seed)
        sets = {OWN: lock(judged), FORGOTTEN: lock(general)}
        for n_labels in sorted({0, *labels}, reverse=True):
            facts = {"hospital": hospital.name, "labels": n_labels, "marks": _count_marks(marked[:n_labels])}
            trials.append(Trial(f"{_stem(hospital)}-{n_labels}", facts, marked[:n_labels], sets, seed=seed))
    return trials


def _count_marks(pictures: Sequence[MarkedPicture]) -> int:
    return sum(len(one.objects) for one in pictures)


def main(arguments: list[str] | None = None) -> int:
    """Run the experiment as the command line says; 0, or 1 after one sentence on what was wrong."""
    started_s = time.monotonic()
    options = parse_arguments(arguments)
    command = "python -m training.hospitals " + shlex.join(sys.argv[1:] if arguments is None else arguments)
    settings, rates = to_settings(options), ReaderRates()
    asked = {key: value for key, value in vars(options).items() if key not in _FREE}
    results: list[dict[str, Any]] = []
    try:
        keep_settings(options.out, {**asked, "readers": asdict(rates)})
        orders = order_slides(options)
        is_drawn = all(one.is_drawn for one in orders)
        with open_stocks(0 if is_drawn else settings.workers) as stocks:
            with open_some(0 if is_drawn else options.workers) as processes:
                drawn = draw_orders(orders, processes=processes, stocks=stocks)
            print(f"slides drawn, {time.monotonic() - started_s:.0f} s", flush=True)
            tiles = find_tiles(settings, partial(draw_slides, stocks=stocks), drawn[0])
        trials = plan_trials(drawn, list_hospitals(options), options.labels, rates, seed=options.seed)
        print(f"tiles drawn, {time.monotonic() - started_s:.0f} s", flush=True)
        side_by_side = min(options.trainings or options.workers, len(trials))
        with open_trials(settings, tiles=tiles, command=command, side_by_side=side_by_side) as running:
            running.add(trials)
            for trial, result in running.take(started_s + 60 * options.minutes):
                results.append(result)
                print(f"{trial.name}: {time.monotonic() - started_s:.0f} s", flush=True)
                write_figures(options, command, rates, results, n_left=len(trials) - len(results))
    except (TriageError, TrainingError, OSError) as err:
        print(err, file=sys.stderr)
        return 1
    write_figures(options, command, rates, results, n_left=len(trials) - len(results))
    print("\n".join(to_lines(summarise(results))))
    if len(results) < len(trials):
        print(f"{len(trials) - len(results)} trainings are left; the same command goes on.")
    return 0


def write_figures(
    options: argparse.Namespace,
    command: str,
    rates: ReaderRates,
    results: Sequence[dict[str, Any]],
    *,
    n_left: int,
) -> None:
    """Figures and plot in the folder, anew after each training, so that a run that is ended leaves them."""
    rows = summarise(results)
    figures = {
        "command": command,
        "slide": f"one drawn field of {SHAPE_HW[1]} x {SHAPE_HW[0]} px with one object or more",
        "false_per_slide": FALSE_PER_SLIDE,
        "readers": {**asdict(rates), "source": "assumed; no source gives rates for each object"},
        "hospitals": {one.name: asdict(one) for one in list_hospitals(options)},
        "rows": rows,
        "trials_left": n_left,
    }
    text = json.dumps(figures, indent=1, ensure_ascii=False)
    (options.out / FIGURES_FILE).write_text(text + "\n", encoding="utf-8")
    if rows:
        title = (
            f"Recall at {FALSE_PER_SLIDE:g} false candidates a slide; 95 % intervals by drawing slides anew"
        )
        draw_labels(options.out / PLOT_FILE, to_panels(rows), y_label="recall", title=title)


_FREE = ("out", "device", "workers", "trainings", "minutes")
"""Options that may differ when an experiment goes on."""


def to_settings(options: argparse.Namespace) -> Settings:
    """Of every training."""
    return Settings(
        out=options.out,
        start=options.start,
        steps=options.steps,
        batch=options.batch,
        tile_px=options.tile_px,
        rate=options.rate,
        drawn_share=options.drawn_share,
        drawn_tiles=options.drawn_tiles,
        held_out=1,
        seed=options.seed,
        device=options.device,
        # A GPU is for the trainings; processes draw.
        draw_device="cpu",
        # One process draws by itself, without a stock to share.
        workers=0 if options.workers <= 1 else options.workers,
    )


def parse_arguments(arguments: list[str] | None = None) -> argparse.Namespace:
    """The options of a command line; those of a training are as in `training.settings.ADAPTING`."""
    parser = argparse.ArgumentParser(
        prog="python -m training.hospitals", description=(__doc__ or "").split("\n")[0]
    )
    add = parser.add_argument
    add("--out", type=Path, required=True, help="folder for slides, weights, figures and the plot")
    add("--hospitals", type=int, default=3, help=f"how many, 1 to {len(HOSPITALS)} (default: 3)")
    add("--only", nargs="+", choices=list(HOSPITALS), metavar="NAME", help="these hospitals alone")
    add("--labels", type=int, nargs="+", default=[10, 20, 50, 100], help="slides labelled")
    add("--slides-judged", type=int, default=40, help="other slides of a hospital (default: 40)")
    add("--general", type=int, default=40, help="drawn fields of all sorts to judge on (default: 40)")
    add("--start", default=ADAPTING["start"], help="shipped, or a folder of weights")
    add("--steps", type=int, default=ADAPTING["steps"], help="training steps (default: 300)")
    add("--batch", type=int, default=Settings.batch, help="squares in a step (default: 32)")
    add("--tile-px", type=int, default=Settings.tile_px, help="side of a square (default: 384)")
    add("--rate", type=float, default=ADAPTING["rate"], help="highest learning rate")
    add("--drawn-share", type=float, default=Settings.drawn_share, help="share of drawn tiles in a batch")
    add("--drawn-tiles", type=int, default=256, help="tiles to draw for that (default: 256)")
    add("--workers", type=int, default=1, help="processes that draw")
    add("--trainings", type=int, help="trainings side by side on the device (default: as --workers)")
    add("--device", default=Settings.device, help="auto, cpu, cuda or cuda:0")
    add(
        "--minutes",
        type=float,
        default=60.0,
        help="end then; what is not done waits (default: 60)",
    )
    add("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    if not 1 <= options.hospitals <= len(HOSPITALS):
        parser.error(f"--hospitals is {options.hospitals}; it must be from 1 to {len(HOSPITALS)}.")
    if min(*options.labels, options.slides_judged, options.general) < 1:
        parser.error("--labels, --slides-judged and --general must be 1 or more.")
    return options


if __name__ == "__main__":
    sys.exit(main())
