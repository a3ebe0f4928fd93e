"""Whether labelling what would teach most takes fewer labels than labelling at random, on drawn slides.

    python -m training.label_next_bench --out DIR [--seeds 10] [--pool 60] [--test 120] [--labels 7 12 20]
        [--repeats 1] [--start shipped] [--workers 12] [--trainings 10] [--device cuda] [--minutes 7]

draws, for each seed, slides as a hospital with a dim, hazy microscope would photograph them, most of them
with nothing to find; lets the shipped detector rank the pool (`triage.label_next`), adapts a detector to the
first slides of that order and of random orders, and judges each on other slides of that hospital, the same
for all seeds, whole and in one pass (`training.whole_slides`). Prints recall against slides labelled, and how
much so many ranked slides bring above the next larger number of random ones (each is some 0.6 of the next),
in pairs; writes DIR/curves.json and DIR/curves.png anew after each training. A seed's trainings begin as soon
as its pool is drawn, those pairs first that compare most labels. The same command goes on where a time limit
cut it. Training starts from the shipped detector, or with `--start imagenet` from features that never saw a
slide, where labels must teach everything.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterable
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import Any

from training.dataset import MarkedPicture
from training.drawn import draw_slides
from training.drawn_hospitals import draw_orders, lock
from training.engine import TrainingError
from training.label_next_figures import compare_orders, to_lines, to_series
from training.label_next_hands import (
    TEST_SEED,
    Hand,
    deal,
    order_pools,
    order_slides,
    plan_rounds,
    plan_trials,
)
from training.label_next_pairs import AS_IS, RANKED
from training.label_plots import draw_labels
from training.settings import ADAPTING, Settings
from training.shared_tiles import find_tiles
from training.side_by_side import Running, open_trials
from training.supply import open_stocks
from training.synthesize.processes import open_some
from training.trials import FALSE_PER_SLIDE, Trial, keep_settings
from training.whole_slides import find_slides, judge_slides
from triage.errors import RecordError, TriageError

CURVES_FILE, PLOT_FILE = "curves.json", "curves.png"
_FREE = ("out", "device", "workers", "trainings", "minutes")
"""Options that may differ when the bench goes on."""


def main(arguments: list[str] | None = None) -> int:
    """Compare as the command line says; 0, or 1 after one sentence on what was wrong."""
    options = _parser().parse_args(arguments)
    stop_at_s = time.monotonic() + 60 * options.minutes
    try:
        if max(options.labels) > options.pool:
            raise RecordError(
                f"--labels asks for {max(options.labels)} of {options.pool} slides; ask for fewer."
            )
        keep_settings(options.out, {key: value for key, value in vars(options).items() if key not in _FREE})
        bench = Bench(options)
        bench.run(stop_at_s)
    except (TriageError, TrainingError, OSError) as err:
        print(err, file=sys.stderr)
        return 1
    comparison = bench.write()
    print(f"Recall at {FALSE_PER_SLIDE:g} false candidates a slide.")
    print("\n".join(to_lines(comparison)))
    if bench.n_left:
        print(f"{bench.n_left} trainings are left; the same command goes on.")
    if comparison["rows"]:
        panels = {f"training from {options.start}, {comparison['seeds']} seeds": to_series(comparison)}
        title = f"Recall at {FALSE_PER_SLIDE:g} false candidates a slide; 95 % intervals over seeds"
        draw_labels(options.out / PLOT_FILE, panels, y_label="recall", title=title)
    return 0


class Bench:
    """A run of the bench and what came of it so far.

    Parameters
    ----------
    options : Namespace
        The command line's.
    """

    def __init__(self, options: argparse.Namespace) -> None:
        self._options = options
        self._started_s = time.monotonic()
        self._hands: list[Hand] = []
        self._results: list[dict[str, Any]] = []
        rounds = plan_rounds(options.labels)
        self._first, self._later = rounds[0], rounds[1:]
        n_orders = sum(1 if kind == RANKED else options.repeats for one in rounds for kind, _ in one)
        self._n_trials = options.seeds * n_orders + (options.start != "imagenet")

    @property
    def n_left(self) -> int:
        """Trainings that are not done."""
        return self._n_trials - len(self._results)

    def run(self, stop_at_s: float) -> None:
        """Draw, train and judge until all is done, or until `stop_at_s` by `time.monotonic`."""
        options, settings = self._options, to_settings(self._options)
        with ExitStack() as stack:
            order = order_slides(options, "test", options.test, TEST_SEED + options.seed)
            is_drawn = all(one.is_drawn for one in (order, *order_pools(options)))
            stocks = stack.enter_context(open_stocks(0 if is_drawn else settings.workers))
            processes = stack.enter_context(open_some(0 if is_drawn else options.workers))
            (drawn,) = draw_orders([order], processes=processes, stocks=stocks)
            test = lock(drawn)
            self._tell("slides to judge on drawn")
            running = stack.enter_context(
                open_trials(
                    settings,
                    tiles=find_tiles(settings, draw_slides, test),
                    command="training.label_next_bench",
                    side_by_side=options.trainings or options.workers,
                    judge=partial(judge_slides, pixels=find_slides(options.out, test)),
                )
            )
            if options.start != "imagenet":
                running.add(
                    [Trial(AS_IS.replace(" ", "-"), {"order": AS_IS, "labels": 0}, [], {"own": test})]
                )
            self._train(running, deal(options, stocks, processes), test, stop_at_s)

    def _train(
        self, running: Running, hands: Iterable[Hand], test: list[MarkedPicture], stop_at_s: float
    ) -> None:
        for hand in hands:
            self._hands.append(hand)
            self._tell(f"pool {hand.seed} drawn and ranked")
            running.add(plan_trials(hand, test, self._first))
            self._keep(running.take_ready())
            if time.monotonic() >= stop_at_s:
                return
        for wanted in self._later:
            running.add([trial for hand in self._hands for trial in plan_trials(hand, test, wanted)])
        self._keep(running.take(stop_at_s))

    def _keep(self, ended: Iterable[tuple[Trial, dict[str, Any]]]) -> None:
        for trial, result in ended:
            self._results.append(result)
            own = result["judged"]["own"]
            self._tell(f"{trial.name}: {sum(own['found'])} of {sum(own['of'])}")
            self.write()

    def _tell(self, what: str) -> None:
        print(f"{what}, {time.monotonic() - self._started_s:.0f} s", flush=True)

    def write(self) -> dict[str, Any]:
        """What the trainings that are done come to, also in a file."""
        comparison = compare_orders(self._results)
        orders = {hand.seed: hand.orders for hand in self._hands}
        record = {
            "comparison": comparison,
            "points": self._results,
            "orders": orders,
            "trials_left": self.n_left,
        }
        text = json.dumps(record, indent=1) + "\n"
        (self._options.out / CURVES_FILE).write_text(text, encoding="utf-8")
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
    add("--test", type=int, default=120, help="slides to judge on, the same for all seeds (default: 120)")
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
