"""Eggs that are one shell around one content: the common make-up of many kinds."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from training.synthesize.kinds.bodies import Place, draw_body, locate, outline_body
from training.synthesize.kinds.chance import Array, SizeRange, draw_size
from training.synthesize.kinds.contents import draw_contents, paint_contents
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.kinds.light import Tensors, add, confine
from training.synthesize.kinds.walls import draw_wall, paint_wall
from training.synthesize.material import Material, Samples, soft_step


def measures(outline: Array) -> dict[str, Array]:
    """Length, width and reach of objects whose outlines (n, K, 2) hold all of them."""
    span = np.ptp(outline, axis=1)
    return {
        "length_um": span[:, 0],
        "width_um": span[:, 1],
        "reach_um": 1.02 * np.abs(outline).max((1, 2)) + np.float32(0.5),
    }


def draw_shelled(
    rng: np.random.Generator,
    n: int,
    sizes: tuple[SizeRange, ...],
    *,
    shape: dict[str, Any],
    wall: dict[str, Any],
) -> Parameters:
    """A body called `shell`, its measures and its wall."""
    length, width = draw_size(rng, n, sizes)
    shell = draw_body(rng, length, width, **shape)
    outline = shell_outline({"shell": shell})
    return {"shell": shell, **measures(outline), **draw_wall(rng, n, **wall)}


def shell_outline(p: Parameters) -> Array:
    """Outline of the body called `shell`."""
    return outline_body(p["shell"])


def held(samples: Samples, p: Tensors, place: Place, contents: Material) -> Material:
    """The part of the contents that lies within the lining of the shell."""
    inside = soft_step(place.distance_um(samples.of(p["lining_um"])), 0.6)
    return Material(contents.density * inside[:, None], contents.path_um * inside)


def paint_egg(samples: Samples, p: Tensors) -> Material:
    """Wall of the body called `shell`, and its contents."""
    place = locate(samples, p["shell"])
    contents = held(samples, p, place, paint_contents(samples, p))
    return confine(samples, p, add(paint_wall(samples, p, place), contents))


def egg_kind(
    name: str,
    group: str,
    sizes: tuple[SizeRange, ...],
    *,
    shape: dict[str, Any],
    wall: dict[str, Any],
    contents: dict[str, Any],
    weight: float = 1.0,
) -> Kind:
    """A kind of egg made of one shell and one content; the dicts go to the functions that draw each."""
    return Kind(name, group, _drawer(sizes, shape, wall, contents), shell_outline, paint_egg, weight)


def _drawer(
    sizes: tuple[SizeRange, ...], shape: dict[str, Any], wall: dict[str, Any], contents: dict[str, Any]
) -> Callable[[np.random.Generator, int], Parameters]:
    def draw(rng: np.random.Generator, n: int) -> Parameters:
        shelled = draw_shelled(rng, n, sizes, shape=shape, wall=wall)
        return {**shelled, **draw_contents(rng, shelled["shell"], **contents)}

    return draw
