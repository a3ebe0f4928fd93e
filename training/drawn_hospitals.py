"""Slides as drawn hospitals would photograph them: each with its own light, stain, debris and microscope.

A slide here is one drawn field of view, about a millimetre of a coverslip at most, with its truth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from PIL import Image

from training.dataset import MarkedPicture, read_marked_pictures
from training.hospital_look import Look, take_look
from training.synthesize.coco import write_coco
from training.synthesize.processes import open_processes
from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.style import FIELD, Style
from training.synthesize.truth import TileTruth
from triage.labelled_set import ANNOTATIONS_FILE, IMAGES_FOLDER, JUDGING


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


def draw_hospital(
    folder: Path, hospital: Hospital, *, n: int, seed: int, shape_hw: tuple[int, int], workers: int = 1
) -> list[MarkedPicture]:
    """`n` slides of a hospital with their truth, in a folder; drawn once, read where they are there already.

    Parameters
    ----------
    folder : Path
    hospital : Hospital
    n, seed : int
        Slide i of a seed is the same whatever `n` is.
    shape_hw : tuple of int
    workers : int
        Processes that draw.
    """
    if not (folder / ANNOTATIONS_FILE).is_file():
        (folder / IMAGES_FOLDER).mkdir(parents=True, exist_ok=True)
        draw = partial(_draw_slide, folder / IMAGES_FOLDER, hospital, seed, shape_hw)
        truths = _draw_all(draw, n, workers)
        # Written last, so that a folder that was cut short is drawn again.
        write_coco(folder / ANNOTATIONS_FILE, [_file_name(index) for index in range(n)], shape_hw, truths)
    return read_marked_pictures(folder)


def lock(pictures: list[MarkedPicture]) -> list[MarkedPicture]:
    """The same pictures as a judging split, which every training refuses."""
    return [replace(one, split=JUDGING) for one in pictures]


def _draw_all(draw: partial[TileTruth], n: int, workers: int) -> list[TileTruth]:
    if workers <= 1:
        return [draw(index) for index in range(n)]
    with open_processes(min(workers, n)) as pool:
        return list(pool.map(draw, range(n)))


def _draw_slide(
    folder: Path, hospital: Hospital, seed: int, shape_hw: tuple[int, int], index: int
) -> TileTruth:
    scene = draw_scene(seed, index, hospital.style, shape_hw, um_per_px=hospital.um_per_px)
    scene = replace(
        scene,
        light=replace(scene.light, **hospital.light),
        camera=replace(scene.camera, **hospital.camera),
    )
    pictures, (truth,) = render_scenes([scene])
    pixels = take_look(pictures[0].permute(1, 2, 0).numpy(), hospital.look, seed=seed + index)
    Image.fromarray(pixels).save(folder / _file_name(index))
    return truth


def _file_name(index: int) -> str:
    return f"{index:04d}.png"
