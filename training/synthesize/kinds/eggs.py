"""Eggs that are one shell around one content: the common make-up of many kinds."""

from __future__ import annotations

import numpy as np

from training.synthesize.kinds.bodies import locate, outline_body
from training.synthesize.kinds.chance import Array
from training.synthesize.kinds.contents import paint_contents
from training.synthesize.kinds.kind import Parameters
from training.synthesize.kinds.light import Tensors, add, confine
from training.synthesize.kinds.walls import paint_wall
from training.synthesize.material import Material, Samples


def measures(outline: Array) -> dict[str, Array]:
    """Length, width and reach of objects whose outlines (n, K, 2) hold all of them."""
    span = np.ptp(outline, axis=1)
    return {
        "length_um": span[:, 0],
        "width_um": span[:, 1],
        "reach_um": 1.02 * np.abs(outline).max((1, 2)) + np.float32(0.5),
    }


def shell_outline(p: Parameters) -> Array:
    """Outline of the body called `shell`."""
    return outline_body(p["shell"])


def paint_egg(samples: Samples, p: Tensors) -> Material:
    """Wall of the body called `shell`, and its contents."""
    place = locate(samples, p["shell"])
    return confine(samples, p, add(paint_wall(samples, p, place), paint_contents(samples, p)))
