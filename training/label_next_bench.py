"""Whether labelling what would teach most takes fewer labels than labelling at random, on drawn slides.

    python -m training.label_next_bench --out DIR [--seeds 10] [--pool 60] [--test 60] [--labels 7 12 20]
        [--repeats 1] [--start shipped] [--workers 16] [--device cuda] [--minutes 9]

draws, for each seed, slides as a hospital with a dim, hazy microscope would photograph them, most of them
with nothing to find; lets the shipped detector rank the pool (`triage.label_next`), adapts a detector to the
first slides of that order and of random orders, and judges each on other slides of that hospital. Prints
recall against slides labelled, with intervals over seeds, and the share of the labels that the ranking needs
(each number labelled is some 0.6 of the next, so that their recalls are compared in pairs); writes
DIR/curves.json and DIR/curves.png. The same command goes on where a time limit cut it. Training starts from
the shipped detector, or with `--start imagenet` from features that never saw a slide, where labels must teach
everything.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from training.dataset import MarkedPicture
from training.drawn import draw_slides
from training.drawn_hospitals import HOSPITALS, Order, draw_orders, lock
from training.engine import TrainingError
from training.label_next import look_at
from training.label_next_figures import AS_IS, RANDOM, RANKED, compare_orders, to_lines, to_series
from training.label_plots import draw_labels
from training.settings import ADAPTING, Settings
from training.supply import open_stocks
from training.synthesize.processes import open_processes
from training.synthesize.style import FIELD
from training.trials import FALSE_PER_SLIDE, Trial, find_tiles, keep_settings, run_trials
from triage.detector import load_detector
from triage.errors import RecordError, TriageError
from triage.label_next import PictureSaid, rank_to_label

EMPTY_SHARE = 0.6
"""Of the slides, so many have nothing to find (assumed; most slides of a clinic hold nothing)."""
HOSPITAL = replace(
    HOSPITALS["dim lamp"],
    style=replace(
        FIELD,
        parts=(
            (EMPTY_SHARE, replace(FIELD, candidates_per_mpx=(0.0, 0.0))),
            (1 - EMPTY_SHARE, replace(FIELD, least_candidates=1, candidates_per_mpx=(8.0, 30.0))),
        ),
    ),
)
SHAPE_HW = (480, 640)
CURVES_FILE, PLOT_FILE = "curves.json", "curves.png"
_LOOKED_AT_ONCE = 10
_POOL_SEED, _TEST_SEED = 10_000, 20_000
_FREE = ("out", "device", "workers", "trainings", "minutes")
"""Options that may differ when the bench goes on."""


@dataclass(frozen=True)
class Hand:
    """What one seed deals: the slides to choose from, the locked ones, and the orders of choice."""

    seed: int
    pool: list[MarkedPicture]
    test: list[MarkedPicture]
    orders: dict[str, list[int]]


def order_pool(said: Sequence[PictureSaid], n_random: int, *, seed: int) -> dict[str, list[int]]:
    """The order of the ranking, and some random ones, as places in the pool."""
    orders = {RANKED: [one.index for one in rank_to_label(said)]}
    for number in range(n_random):
        shuffled = np.random.default_rng([seed, number]).permutation(len(said))
        orders[f"{RANDOM} {number + 1}"] = [int(index) for index in shuffled]
    return orders


def look_at_some(pictures: Sequence[MarkedPicture]) -> list[PictureSaid]:
    """What the shipped detector says of each, on a processor: a GPU takes longer to start than to look."""
    detector = load_detector(device="cpu")
    return [look_at(one.path, detector, one.um_per_px) for one in pictures]


def deal(options: argparse.Namespace) -> list[Hand]:
    """Draw the slides of all seeds and order their pools."""
    seeds = range(options.seed, options.seed + options.seeds)
    orders = [
        Order(options.out / "slides" / f"{seed}-{name}", HOSPITAL, n, first + seed, SHAPE_HW)
        for seed in seeds
        for name, n, first in (("pool", options.pool, _POOL_SEED), ("test", options.test, _TEST_SEED))
    ]
    is_drawn = all(one.is_drawn for one in orders)
    with open_stocks(0 if options.workers <= 1 or is_drawn else options.workers) as stocks:
        drawn = draw_orders(orders, workers=options.workers, stocks=stocks)
    said = iter(_look_at_all([one for pool in drawn[::2] for one in pool], options.workers))
    return [
        Hand(seed, pool, test, order_pool([next(said) for _ in pool], options.repeats, seed=seed))
        for seed, pool, test in zip(seeds, drawn[::2], drawn[1::2], strict=True)
    ]


def _look_at_all(pictures: Sequence[MarkedPicture], workers: int) -> list[PictureSaid]:
    if workers <= 1:
        return look_at_some(pictures)
    some = [pictures[first : first + _LOOKED_AT_ONCE] for first in range(0, len(pictures), _LOOKED_AT_ONCE)]
    with open_processes(min(workers, len(some))) as pool:
        return [one for said in pool.map(look_at_some, some) for one in said]


def plan_trials(hands: Sequence[Hand], labels: Sequence[int], *, has_detector: bool) -> list[Trial]:
    """Seed by seed, so that those which are done are complete where a time limit cuts the rest."""
    trials = []
    for hand in hands:
        sets = {"own": lock(hand.test)}
        if has_detector:
            facts = {"seed": hand.seed, "order": AS_IS, "labels": 0}
            trials.append(Trial(f"{hand.seed}-as-it-is", facts, [], sets))
        for n_labels in sorted(labels, reverse=True):
            for name, order in hand.orders.items():
                chosen = [hand.pool[index] for index in order[:n_labels]]
                n_objects = sum(len(one.list_wanted()) for one in chosen)
                facts = {
                    "seed": hand.seed,
                    "order": name.split()[0],
                    "labels": n_labels,
                    "objects": n_objects,
                }
                stem = f"{hand.seed}-{name.replace(' ', '-')}-{n_labels}"
                trials.append(Trial(stem, facts, chosen, sets, seed=hand.seed))
    return trials


def main(arguments: list[str] | None = None) -> int:
    """Compare as the command line says; 0, or 1 after one sentence on what was wrong."""
    started_s = time.monotonic()
    options = _parser().parse_args(arguments)
    settings = to_settings(options)
    results: list[dict[str, Any]] = []
    try:
        if max(options.labels) > options.pool:
            raise RecordError(
                f"--labels asks for {max(options.labels)} of {options.pool} slides; ask for fewer."
            )
        keep_settings(options.out, {key: value for key, value in vars(options).items() if key not in _FREE})
        hands = deal(options)
        print(f"slides drawn and ranked, {time.monotonic() - started_s:.0f} s", flush=True)
        trials = plan_trials(hands, options.labels, has_detector=options.start != "imagenet")
        for trial, result in run_trials(
            trials,
            settings,
            tiles=find_tiles(settings, draw_slides),
            command="training.label_next_bench",
            side_by_side=options.trainings or options.workers,
            stop_at_s=started_s + 60 * options.minutes,
        ):
            results.append(result)
            own = result["judged"]["own"]
            found = f"{sum(own['found'])} of {sum(own['of'])}"
            print(f"{trial.name}: {found}, {time.monotonic() - started_s:.0f} s", flush=True)
            write_curves(options.out, hands, results, n_left=len(trials) - len(results))
    except (TriageError, TrainingError, OSError) as err:
        print(err, file=sys.stderr)
        return 1
    comparison = write_curves(options.out, hands, results, n_left=len(trials) - len(results))
    print(f"Recall at {FALSE_PER_SLIDE:g} false candidates a slide.")
    print("\n".join(to_lines(comparison)))
    if len(results) < len(trials):
        print(f"{len(trials) - len(results)} trainings are left; the same command goes on.")
    if comparison["rows"]:
        panels = {f"training from {options.start}, {comparison['seeds']} seeds": to_series(comparison)}
        title = f"Recall at {FALSE_PER_SLIDE:g} false candidates a slide; 95 % intervals over seeds"
        draw_labels(options.out / PLOT_FILE, panels, y_label="recall", title=title)
    return 0


def write_curves(
    folder: Path, hands: Sequence[Hand], results: Sequence[dict[str, Any]], *, n_left: int
) -> dict[str, Any]:
    """What the trainings that are done come to, also in a file, anew after each of them."""
    comparison = compare_orders(results)
    orders = {hand.seed: hand.orders for hand in hands}
    record = {"comparison": comparison, "points": results, "orders": orders, "trials_left": n_left}
    (folder / CURVES_FILE).write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    return comparison


def to_settings(options: argparse.Namespace) -> Settings:
    """Of every training."""
    rate = Settings.rate if options.start == "imagenet" else ADAPTING["rate"]
    return Settings(
        out=options.out,
        steps=options.steps,
        batch=options.batch,
        tile_px=options.tile_px,
        start=options.start,
        rate=rate if options.rate is None else options.rate,
        drawn_share=0.0,
        held_out=1,
        seed=options.seed,
        device=options.device,
        # A GPU is for the trainings; processes draw.
        draw_device="cpu",
        # One process draws by itself, without a stock to share.
        workers=0 if options.workers <= 1 else options.workers,
    )


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m training.label_next_bench", description=(__doc__ or "").split("\n")[0]
    )
    add = parser.add_argument
    add("--out", type=Path, required=True, help="folder for slides, weights and curves")
    add("--pool", type=int, default=60, help="slides to choose from, for each seed (default: 60)")
    add("--test", type=int, default=60, help="slides to judge on, for each seed (default: 60)")
    add("--labels", type=int, nargs="+", default=[7, 12, 20], help="slides labelled")
    add("--seeds", type=int, default=10, help="repetitions, each with slides of its own (default: 10)")
    add("--repeats", type=int, default=1, help="random orders of each seed (default: 1)")
    add("--start", default="shipped", help="shipped, imagenet, or a folder of weights")
    add("--steps", type=int, default=120, help="training steps each (default: 120)")
    add("--batch", type=int, default=16, help="squares in a step (default: 16)")
    add("--tile-px", type=int, default=256, help="side of a square (default: 256)")
    add("--rate", type=float, help="highest learning rate")
    add("--workers", type=int, default=1, help="processes that draw")
    add("--trainings", type=int, help="trainings side by side on the device (default: as --workers)")
    add("--device", default=Settings.device, help="auto, cpu, cuda or cuda:0")
    add(
        "--minutes",
        type=float,
        default=60.0,
        help="end then; what is not done waits (default: 60)",
    )
    add("--seed", type=int, default=1, help="the first of the seeds")
    return parser


if __name__ == "__main__":
    sys.exit(main())
