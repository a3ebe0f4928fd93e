"""Slides as drawn hospitals would photograph them: each with its own light, stain, debris and microscope.

A slide here is one drawn field of view, about a millimetre of a coverslip at most, with its truth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

from PIL import Image

from training.dataset import MarkedPicture, read_marked_pictures
from training.hospital_look import Look, take_look
from training.synthesize.coco import write_coco
from training.synthesize.processes import map_in
from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.stock import StockSource, draw_stock
from training.synthesize.style import FIELD, Style
from training.synthesize.truth import TileTruth
from triage.labelled_set import ANNOTATIONS_FILE, IMAGES_FOLDER, JUDGING

_SLIDES_AT_ONCE = 2
"""Dealt to a process together: few, so that none is left waiting for the last."""


@dataclass(frozen=True)
class Hospital:
    """What all slides of a hospital share; the rest differs from slide to slide.

    Attributes
    ----------
    name : str
    um_per_px : float
        Of its microscope and camera.
    style : Style
        Objects, debris and focus.
    light, camera : mapping of str to value
        Fields of `training.synthesize.camera.Light` and `Camera` that are the same on every slide.
    look : Look
        What is done to the picture last.
    """

    name: str
    um_per_px: float
    style: Style
    light: Mapping[str, Any] = field(default_factory=dict)
    camera: Mapping[str, Any] = field(default_factory=dict)
    look: Look = field(default_factory=Look)


_BUSY = replace(FIELD, least_candidates=1, candidates_per_mpx=(4.0, 16.0), look_alikes_per_mpx=(2.0, 12.0))

HOSPITALS: dict[str, Hospital] = {
    one.name: one
    for one in (
        Hospital(
            "dim lamp",
            0.5,
            _BUSY,
            light={"colour": (0.55, 0.48, 0.34), "contrast": 0.5},
            look=Look(gamma=1.7, tint=(1.0, 0.86, 0.62), blur_px=2.6, haze=0.4, noise=9.0),
        ),
        Hospital(
            "dark stain",
            0.4,
            replace(_BUSY, clutter=(0.6, 1.0), cluster_share=0.3, softness=(0.6, 2.0)),
            light={"colour": (0.80, 0.72, 0.50), "stain": (1.0, 1.8, 2.4), "contrast": 1.1},
            camera={"saturation": 1.4},
            look=Look(gamma=2.4, tint=(1.0, 0.8, 0.9), blur_px=2.2, haze=0.3, noise=8.0),
        ),
        Hospital(
            "phone",
            0.8,
            replace(_BUSY, resolved_px=(2.0, 4.0), eyepiece_share=0.6),
            light={"colour": (0.62, 0.80, 0.95), "vignette": 0.35},
            camera={"jpeg_quality": 25.0, "coarse_grain": 0.03, "saturation": 1.3},
            look=Look(tint=(0.8, 1.0, 1.0), blur_px=2.0, haze=0.4, noise=9.0),
        ),
    )
}
"""Made up, no source: a dim lamp with dust in the condenser, a dark stain in dirty fluid, a phone held to the
eyepiece."""


@dataclass(frozen=True)
class Order:
    """Slides to draw: slide i of a seed is the same whatever `n` is."""

    folder: Path
    hospital: Hospital
    n: int
    seed: int
    shape_hw: tuple[int, int]

    @property
    def is_drawn(self) -> bool:
        """Whether its folder holds all of them."""
        return (self.folder / ANNOTATIONS_FILE).is_file()


def draw_orders(
    orders: Sequence[Order], *, processes: Executor | None = None, stocks: StockSource = draw_stock
) -> list[list[MarkedPicture]]:
    """The slides of each order with their truth; drawn once, read where they are there already.

    Parameters
    ----------
    orders : sequence of Order
    processes : Executor, optional
        Draw side by side; all orders are dealt out to them at once. This one draws when left out.
    stocks : callable, optional
        Where the objects come from; each process draws its own when left out.
    """
    left = [one for one in orders if not one.is_drawn]
    for order in left:
        (order.folder / IMAGES_FOLDER).mkdir(parents=True, exist_ok=True)
    slides = [(order, index) for order in left for index in range(order.n)]
    truths = map_in(processes, partial(_draw_slide, stocks), slides, chunksize=_SLIDES_AT_ONCE)
    for order in left:
        # Written last, so that a folder that was cut short is drawn again.
        write_coco(
            order.folder / ANNOTATIONS_FILE,
            [_file_name(index) for index in range(order.n)],
            order.shape_hw,
            list(islice(truths, order.n)),
        )
    return [read_marked_pictures(order.folder) for order in orders]


def lock(pictures: list[MarkedPicture]) -> list[MarkedPicture]:
    """The same pictures as a judging split, which every training refuses."""
    return [replace(one, split=JUDGING) for one in pictures]


def _draw_slide(stocks: StockSource, slide: tuple[Order, int]) -> TileTruth:
    order, index = slide
    hospital = order.hospital
    scene = draw_scene(
        order.seed, index, hospital.style, order.shape_hw, um_per_px=hospital.um_per_px, stocks=stocks
    )
    scene = replace(
        scene,
        light=replace(scene.light, **hospital.light),
        camera=replace(scene.camera, **hospital.camera),
    )
    pictures, (truth,) = render_scenes([scene])
    pixels = take_look(pictures[0].permute(1, 2, 0).numpy(), hospital.look, seed=order.seed + index)
    Image.fromarray(pixels).save(order.folder / IMAGES_FOLDER / _file_name(index), compress_level=1)
    return truth


def _file_name(index: int) -> str:
    return f"{index:04d}.png"
