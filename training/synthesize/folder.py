"""Pictures and their truth, drawn into a folder by one process or several."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from PIL import Image

from training.synthesize.coco import write_coco
from training.synthesize.processes import open_processes
from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.style import STYLES
from training.synthesize.truth import TileTruth
from triage.errors import RecordError

_JPEG_QUALITY = 95


@dataclass(frozen=True)
class Order:
    """What is to be drawn; `um_per_px` None leaves the pixel size to the style."""

    out: Path
    n: int
    style: str
    seed: int
    width: int
    height: int
    um_per_px: float | None
    suffix: str
    workers: int


def check_order(order: Order) -> None:
    """Refuse what can't be drawn.

    Raises
    ------
    RecordError
        If a number is out of range; the message gives it and the range.
    """
    limits = {
        "--n": (order.n, 1, 1_000_000),
        "--width": (order.width, 32, 8192),
        "--height": (order.height, 32, 8192),
        "--workers": (order.workers, 1, 256),
        "--um-per-px": (0.5 if order.um_per_px is None else order.um_per_px, 0.02, 10),
        "--seed": (order.seed, 0, 2**63 - 1),
    }
    for name, (value, low, high) in limits.items():
        if not low <= value <= high:
            raise RecordError(f"{name} is {value}; it must be from {low} to {high}. Choose another value.")


def draw_slides(order: Order) -> int:
    """Draw the pictures and their `annotations.json` into `order.out`; the number of objects drawn."""
    (order.out / "images").mkdir(parents=True, exist_ok=True)
    truths = []
    for truth in _draw_all(order):
        truths.append(truth)
        if sys.stderr.isatty():
            print(f"\r{len(truths)} of {order.n} pictures", end="", file=sys.stderr, flush=True)
    if sys.stderr.isatty():
        print(file=sys.stderr)
    names = [_file_name(order, index) for index in range(order.n)]
    write_coco(order.out / "annotations.json", names, (order.height, order.width), truths)
    n_objects = sum(len(truth.labels) for truth in truths)
    return n_objects


def _draw_all(order: Order) -> Iterator[TileTruth]:
    """The truth of each picture, in order, as it is drawn."""
    if order.workers == 1:
        yield from map(partial(_draw_one, order), range(order.n))
        return
    with open_processes(order.workers) as pool:
        yield from pool.map(partial(_draw_one, order), range(order.n))


def _draw_one(order: Order, index: int) -> TileTruth:
    shape_hw = (order.height, order.width)
    scene = draw_scene(order.seed, index, STYLES[order.style], shape_hw, um_per_px=order.um_per_px)
    pictures, truths = render_scenes([scene])
    picture = Image.fromarray(pictures[0].permute(1, 2, 0).numpy())
    picture.save(order.out / "images" / _file_name(order, index), quality=_JPEG_QUALITY)
    return truths[0]


def _file_name(order: Order, index: int) -> str:
    return f"{order.style}_{order.seed}_{index:05d}.{order.suffix}"
