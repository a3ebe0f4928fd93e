"""What the bench of `training.label_next` deals: pools of drawn slides, orders of choice, trainings."""

from __future__ import annotations

import argparse
import itertools
import json
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from training.dataset import MarkedPicture
from training.drawn_hospitals import HOSPITALS, Order, draw_orders
from training.label_next import look_at
from training.label_next_pairs import RANDOM, RANKED
from training.synthesize.processes import map_in
from training.synthesize.stock import StockSource
from training.synthesize.style import FIELD
from training.trials import Trial
from triage.detector import load_detector
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
SAID_FILE = "said.json"
_LOOKED_AT_ONCE = 4
_POOL_SEED, TEST_SEED = 10_000, 20_000


@dataclass(frozen=True)
class Hand:
    """What one seed deals: the slides to choose from, and the orders of choice."""

    seed: int
    pool: list[MarkedPicture]
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


def deal(options: argparse.Namespace, stocks: StockSource, processes: Executor | None) -> Iterator[Hand]:
    """Each seed's pool, drawn and ordered, as soon as it is."""
    for seed, order in enumerate(order_pools(options), start=options.seed):
        (pool,) = draw_orders([order], processes=processes, stocks=stocks)
        said = find_said(order.folder / SAID_FILE, pool, processes)
        yield Hand(seed, pool, order_pool(said, options.repeats, seed=seed))


def order_pools(options: argparse.Namespace) -> list[Order]:
    """A pool for each seed."""
    seeds = range(options.seed, options.seed + options.seeds)
    return [order_slides(options, f"{seed}-pool", options.pool, _POOL_SEED + seed) for seed in seeds]


def order_slides(options: argparse.Namespace, name: str, n: int, seed: int) -> Order:
    """Slides of the hospital, in a folder of their own."""
    return Order(options.out / "slides" / name, HOSPITAL, n, seed, SHAPE_HW)


def find_said(path: Path, pool: Sequence[MarkedPicture], processes: Executor | None) -> list[PictureSaid]:
    """What the shipped detector says of each slide: from the file, which is written where there is none."""
    if path.is_file():
        rows = json.loads(path.read_text(encoding="utf-8"))
        return [PictureSaid(doubt, np.array(features, dtype=np.float64)) for doubt, features in rows]
    some = [pool[first : first + _LOOKED_AT_ONCE] for first in range(0, len(pool), _LOOKED_AT_ONCE)]
    looked = map_in(processes, look_at_some, some)
    said = [one for several in looked for one in several]
    # NaN, what wasn't measured, is read again as it was written.
    path.write_text(json.dumps([(one.doubt, one.features.tolist()) for one in said]), encoding="utf-8")
    return said


def plan_rounds(labels: Sequence[int]) -> list[list[tuple[str, int]]]:
    """Orders and numbers of labels in the order in which they are trained, for each seed.

    Ranked slides and the next larger number of random ones make a round, the largest first, so that
    what a time limit cuts is not a pair; then what belongs to no pair.
    """
    few_first = sorted(set(labels))
    pairs = [[(RANKED, some), (RANDOM, more)] for some, more in itertools.pairwise(few_first)]
    return [*reversed(pairs), [(RANKED, few_first[-1]), (RANDOM, few_first[0])]]


def plan_trials(hand: Hand, test: Sequence[MarkedPicture], wanted: Iterable[tuple[str, int]]) -> list[Trial]:
    """A seed's trainings for some orders and numbers of labels; all random orders of a number."""
    return [
        Trial(
            f"{hand.seed}-{name.replace(' ', '-')}-{n_labels}",
            {
                "seed": hand.seed,
                "order": kind,
                "labels": n_labels,
                "objects": sum(len(hand.pool[index].list_wanted()) for index in order[:n_labels]),
            },
            [hand.pool[index] for index in order[:n_labels]],
            {"own": test},
            seed=hand.seed,
        )
        for kind, n_labels in wanted
        for name, order in hand.orders.items()
        if name.split()[0] == kind
    ]
