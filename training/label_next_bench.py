"""Whether labelling what would teach most takes fewer labels than labelling at random, on drawn slides.

    python -m training.label_next_bench --out DIR [--pool 40] [--test 16] [--labels 4 8 16] [--repeats 2]

draws slides as a hospital with a dim, hazy microscope would photograph them, lets the shipped detector rank
the pool (`triage.label_next`), adapts it to the first pictures of that order and of random orders, and judges
each on other slides of that hospital. Prints recall at one false positive per picture against pictures
labelled, with Wilson 95 % intervals, and writes them to DIR/curves.json.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image

from training.dataset import MarkedPicture, read_marked_pictures
from training.drawn import draw_slides
from training.engine import Batch, TrainingError
from training.evaluate import judge_picture
from training.held_out import draw_held_out
from training.hospital_look import Look, take_look
from training.label_next import look_at
from training.local_figures import open_detector
from training.metrics import free_response, wilson_interval
from training.settings import Settings
from training.start_weights import start_folder
from training.supply import Given
from training.synthesize.coco import write_coco
from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.style import STYLES
from training.train import train
from triage.errors import RecordError, TriageError
from triage.label_next import rank_to_label
from triage.labelled_set import ANNOTATIONS_FILE, IMAGES_FOLDER

HOSPITAL = Look(gamma=1.7, tint=(1.0, 0.86, 0.62), blur_px=2.2, haze=0.35, noise=7.0)
"""A dim lamp, a yellow filter, dust in the condenser and a coarse camera (made up)."""
UM_PER_PX = 0.5
SHAPE_HW = (480, 640)
FALSE_PER_PICTURE = 1.0
CURVES_FILE = "curves.json"


@dataclass(frozen=True)
class Point:
    """What came of one order at one number of labels."""

    order: str
    n_labelled: int
    n_found: int
    n_objects: int
    seconds: float

    @property
    def recall(self) -> float:
        """Share found at `FALSE_PER_PICTURE`."""
        return self.n_found / max(self.n_objects, 1)


def draw_hospital(
    folder: Path, *, n: int, seed: int, look: Look = HOSPITAL, shape_hw: tuple[int, int] = SHAPE_HW
) -> list[MarkedPicture]:
    """Drawn slides as one hospital would photograph them, with their truth, in a folder."""
    (folder / IMAGES_FOLDER).mkdir(parents=True)
    truths, names = [], []
    for index in range(n):
        scene = draw_scene(seed, index, STYLES["field"], shape_hw, um_per_px=UM_PER_PX)
        pictures, (truth,) = render_scenes([scene])
        pixels = take_look(pictures[0].permute(1, 2, 0).numpy(), look, seed=seed + index)
        names.append(f"{seed}-{index:04d}.png")
        Image.fromarray(pixels).save(folder / IMAGES_FOLDER / names[-1])
        truths.append(truth)
    write_coco(folder / ANNOTATIONS_FILE, names, shape_hw, truths)
    return read_marked_pictures(folder)


def order_pool(pool: Sequence[MarkedPicture], n_random: int, *, seed: int) -> dict[str, list[int]]:
    """The order of the ranking, and some random ones, as places in the pool."""
    detector = open_detector(start_folder("shipped"), torch.device("cpu"))
    said = [look_at(one.path, detector, one.um_per_px) for one in pool]
    orders = {"ranked": [one.index for one in rank_to_label(said)]}
    for number in range(n_random):
        shuffled = np.random.default_rng([seed, number]).permutation(len(pool))
        orders[f"random {number + 1}"] = [int(index) for index in shuffled]
    return orders


def judge_folder(folder: Path, test: Sequence[MarkedPicture]) -> tuple[int, int]:
    """Objects found at `FALSE_PER_PICTURE`, and all of them."""
    detector = open_detector(folder, torch.device("cpu"))
    curve = free_response([judge_picture(one, detector, is_scale_used=True).matches for one in test])
    return round(curve.recall_at(FALSE_PER_PICTURE) * curve.n_objects), curve.n_objects


def run_orders(
    pool: Sequence[MarkedPicture],
    test: Sequence[MarkedPicture],
    orders: dict[str, list[int]],
    settings: Settings,
    labels: Sequence[int],
) -> Iterator[Point]:
    """One point for each order and number of labels, after the detector as it is."""
    held_out: list[Batch] = list(draw_held_out(settings, torch.device("cpu"), draw_slides))
    yield Point("as it is", 0, *judge_folder(start_folder(settings.start), test), 0.0)
    for n_labelled in labels:
        for name, order in orders.items():
            started_s = time.monotonic()
            out = settings.out / f"{name.replace(' ', '-')}-{n_labelled}"
            chosen = Given(pictures=[pool[index] for index in order[:n_labelled]], held_out=held_out)
            values = {**vars(settings), "out": out, "data": pool[0].path.parents[1]}
            train(Settings(**values), command="training.label_next_bench", given=chosen)
            yield Point(name, n_labelled, *judge_folder(out, test), time.monotonic() - started_s)


def compare_orders(points: Sequence[Point]) -> dict[str, Any]:
    """Labels that the ranking needs for the mean recall that random orders reach with the most labels.

    Returns
    -------
    comparison : dict
        `share_of_labels` None where the ranking never gets there.
    """
    most = max(one.n_labelled for one in points)
    goal = statistics.fmean(
        one.recall for one in points if one.order.startswith("random") and one.n_labelled == most
    )
    enough = [one.n_labelled for one in points if one.order == "ranked" and one.recall >= goal]
    return {
        "goal": goal,
        "random_labels": most,
        "ranked_labels": min(enough, default=None),
        "share_of_labels": min(enough) / most if enough else None,
    }


def to_line(point: Point) -> str:
    """One point for a person."""
    low, high = wilson_interval(point.n_found, point.n_objects)
    found = f"{point.recall:.3f} {point.n_found}/{point.n_objects} ({low:.3f}-{high:.3f})"
    return f"{point.n_labelled:>4} pictures  {point.order:<10}  {found}"


def to_verdict(comparison: dict[str, Any]) -> str:
    """What the curves come to, in a sentence."""
    share = comparison["share_of_labels"]
    said = (
        "the ranking never reached it"
        if share is None
        else f"the ranking reached it with {comparison['ranked_labels']}, {share:.0%} of them"
    )
    return (
        f"Random choice reached {comparison['goal']:.3f} with {comparison['random_labels']} pictures; {said}."
    )


def main(arguments: list[str] | None = None) -> int:
    """Compare as the command line says; 0, or 1 after one sentence on what was wrong."""
    options = _parser().parse_args(arguments)
    try:
        if max(options.labels) > options.pool:
            raise RecordError(
                f"--labels asks for {max(options.labels)} of {options.pool} pictures; ask less."
            )
        settings = Settings(
            out=options.out,
            steps=options.steps,
            batch=options.batch,
            tile_px=options.tile_px,
            start="shipped",
            rate=options.rate,
            drawn_share=0.0,
            held_out=1,
            seed=options.seed,
            device="cpu",
        )
        pool = draw_hospital(options.out / "pool", n=options.pool, seed=10_000 + options.seed)
        test = draw_hospital(options.out / "test", n=options.test, seed=20_000 + options.seed)
        print(f"Recall at {FALSE_PER_PICTURE:g} false positive per picture; Wilson 95 % intervals.")
        orders = order_pool(pool, options.repeats, seed=options.seed)
        points = []
        for point in run_orders(pool, test, orders, settings, options.labels):
            points.append(point)
            print(to_line(point), flush=True)
    except (TriageError, TrainingError, OSError) as err:
        print(err, file=sys.stderr)
        return 1
    comparison = compare_orders(points)
    print(to_verdict(comparison))
    record = {"points": [asdict(one) for one in points], "comparison": comparison, "orders": orders}
    (options.out / CURVES_FILE).write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m training.label_next_bench", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--out", type=Path, required=True, help="new folder for pictures, weights and curves")
    parser.add_argument("--pool", type=int, default=40, help="pictures to choose from (default: 40)")
    parser.add_argument("--test", type=int, default=16, help="pictures to judge on (default: 16)")
    parser.add_argument("--labels", type=int, nargs="+", default=[4, 8, 16], help="pictures labelled")
    parser.add_argument("--repeats", type=int, default=2, help="random orders (default: 2)")
    parser.add_argument("--steps", type=int, default=40, help="training steps each (default: 40)")
    parser.add_argument("--batch", type=int, default=8, help="squares in a step (default: 8)")
    parser.add_argument("--tile-px", type=int, default=256, help="side of a square (default: 256)")
    parser.add_argument("--rate", type=float, default=3e-4, help="highest learning rate")
    parser.add_argument("--seed", type=int, default=1)
    return parser


if __name__ == "__main__":
    sys.exit(main())
