"""Whether labelling what would teach most takes fewer labels than labelling at random, on drawn slides.

    python -m training.label_next_bench --out DIR [--seeds 5] [--pool 80] [--test 40] [--labels 4 8 16 32]
        [--repeats 2] [--start shipped] [--workers 16] [--device cuda] [--minutes 9]

draws, for each seed, slides as a hospital with a dim, hazy microscope would photograph them, most of them
with nothing to find; lets the shipped detector rank the pool (`triage.label_next`), adapts a detector to the
first slides of that order and of random orders, and judges each on other slides of that hospital. Prints
recall against slides labelled, with intervals over seeds, and the share of the labels that the ranking needs;
writes DIR/curves.json and DIR/curves.png. The same command goes on where a time limit cut it. Training starts
from the shipped detector, or with `--start imagenet` from features that never saw a slide, where labels must
teach everything.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from training.dataset import MarkedPicture
from training.drawn_hospitals import HOSPITALS, draw_hospital, lock
from training.engine import TrainingError
from training.label_next import look_at
from training.label_next_figures import AS_IS, RANDOM, RANKED, compare_orders, to_lines, to_series
from training.label_plots import draw_labels
from training.local_figures import open_detector
from training.parallel import choose_device
from training.settings import ADAPTING, Settings
from training.start_weights import start_folder
from training.synthesize.processes import open_processes
from training.synthesize.style import FIELD
from training.trials import FALSE_PER_SLIDE, Trial, keep_settings, run_trials
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


def look_at_some(pictures: Sequence[MarkedPicture], device: str) -> list[PictureSaid]:
    """What the shipped detector says of each."""
    detector = open_detector(start_folder("shipped"), choose_device(device))
    return [look_at(one.path, detector, one.um_per_px) for one in pictures]


def deal(options: argparse.Namespace) -> list[Hand]:
    """Draw the slides of all seeds and order their pools."""
    draw = partial(draw_hospital, hospital=HOSPITAL, shape_hw=SHAPE_HW, workers=options.workers)
    hands = []
    for seed in range(options.seed, options.seed + options.seeds):
        folder = options.out / "slides" / str(seed)
        pool = draw(folder / "pool", n=options.pool, seed=_POOL_SEED + seed)
        test = draw(folder / "test", n=options.test, seed=_TEST_SEED + seed)
        hands.append(Hand(seed, pool, test, {}))
    said = iter(_look_at_all([one for hand in hands for one in hand.pool], options))
    return [
        replace(hand, orders=order_pool([next(said) for _ in hand.pool], options.repeats, seed=hand.seed))
        for hand in hands
    ]


def _look_at_all(pictures: Sequence[MarkedPicture], options: argparse.Namespace) -> list[PictureSaid]:
    if options.workers <= 1:
        return look_at_some(pictures, options.device)
    some = [pictures[first : first + _LOOKED_AT_ONCE] for first in range(0, len(pictures), _LOOKED_AT_ONCE)]
    with open_processes(min(options.workers, len(some))) as pool:
        looked = pool.map(partial(look_at_some, device=options.device), some)
        return [one for said in looked for one in said]


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
                facts = {"seed": hand.seed, "order": name.split()[0], "labels": n_labels}
                chosen = [hand.pool[index] for index in order[:n_labels]]
                stem = f"{hand.seed}-{name.replace(' ', '-')}-{n_labels}"
                trials.append(Trial(stem, facts, chosen, sets, seed=hand.seed))
    return trials


def main(arguments: list[str] | None = None) -> int:
    """Compare as the command line says; 0, or 1 after one sentence on what was wrong."""
    started_s = time.monotonic()
    options = _parser().parse_args(arguments)
    settings = to_settings(options)
    try:
        if max(options.labels) > options.pool:
            raise RecordError(
                f"--labels asks for {max(options.labels)} of {options.pool} slides; ask for fewer."
            )
        keep_settings(options.out, {key: value for key, value in vars(options).items() if key not in _FREE})
        hands = deal(options)
        print(f"slides drawn and ranked, {time.monotonic() - started_s:.0f} s", flush=True)
        trials = plan_trials(hands, options.labels, has_detector=options.start != "imagenet")
        results = []
        stop_at_s = started_s + 60 * options.minutes
        for trial, result in run_trials(
            trials,
            settings,
            command="training.label_next_bench",
            side_by_side=options.trainings or options.workers,
            stop_at_s=stop_at_s,
        ):
            results.append(result)
            own = result["judged"]["own"]
            found = f"{sum(own['found'])} of {sum(own['of'])}"
            print(f"{trial.name}: {found}, {time.monotonic() - started_s:.0f} s", flush=True)
    except (TriageError, TrainingError, OSError) as err:
        print(err, file=sys.stderr)
        return 1
    comparison = compare_orders(results)
    print(f"Recall at {FALSE_PER_SLIDE:g} false candidates a slide.")
    print("\n".join(to_lines(comparison)))
    n_left = len(trials) - len(results)
    if n_left:
        print(f"{n_left} trainings are left; the same command goes on.")
    orders = {hand.seed: hand.orders for hand in hands}
    record = {"comparison": comparison, "points": results, "orders": orders, "trials_left": n_left}
    (options.out / CURVES_FILE).write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    if comparison["rows"]:
        panels = {f"training from {options.start}, {comparison['seeds']} seeds": to_series(comparison)}
        title = f"Recall at {FALSE_PER_SLIDE:g} false candidates a slide; 95 % intervals over seeds"
        draw_labels(options.out / PLOT_FILE, panels, y_label="recall", title=title)
    return 0


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
        # One process draws by itself, without a stock to share.
        workers=0 if options.workers <= 1 else options.workers,
    )


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m training.label_next_bench", description=(__doc__ or "").split("\n")[0]
    )
    add = parser.add_argument
    add("--out", type=Path, required=True, help="folder for slides, weights and curves")
    add("--pool", type=int, default=80, help="slides to choose from, for each seed (default: 80)")
    add("--test", type=int, default=40, help="slides to judge on, for each seed (default: 40)")
    add("--labels", type=int, nargs="+", default=[4, 8, 16, 32], help="slides labelled")
    add("--seeds", type=int, default=5, help="repetitions, each with slides of its own (default: 5)")
    add("--repeats", type=int, default=2, help="random orders of each seed (default: 2)")
    add("--start", default="shipped", help="shipped, imagenet, or a folder of weights")
    add("--steps", type=int, default=150, help="training steps each (default: 150)")
    add("--batch", type=int, default=16, help="squares in a step (default: 16)")
    add("--tile-px", type=int, default=256, help="side of a square (default: 256)")
    add("--rate", type=float, help="highest learning rate")
    add("--workers", type=int, default=1, help="processes that draw")
    add("--trainings", type=int, help="trainings side by side on the device (default: as --workers)")
    add("--device", default=Settings.device, help="auto, cpu, cuda or cuda:0")
    add("--minutes", type=float, default=60.0, help="begin no training after this time (default: 60)")
    add("--seed", type=int, default=1, help="the first of the seeds")
    return parser


if __name__ == "__main__":
    sys.exit(main())
