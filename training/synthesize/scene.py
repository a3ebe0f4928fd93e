"""What is on one slide and how it is looked at, drawn from numbers that belong to this picture alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from training.synthesize.appearance import draw_camera, draw_debris, draw_light, draw_optics
from training.synthesize.camera import Camera, Light
from training.synthesize.canvas import MARGIN_PX, Things
from training.synthesize.clutter import SPECKS, Speck
from training.synthesize.debris import Debris
from training.synthesize.kinds import KINDS, LOOK_ALIKE_SHARES
from training.synthesize.kinds.chance import log_even
from training.synthesize.kinds.kind import Kind
from training.synthesize.marks import Marks, draw_marks
from training.synthesize.optics import Optics
from training.synthesize.stock import (
    OBJECTS_IN_A_STOCK,
    STOCKS_OF_A_KIND,
    Stock,
    StockSource,
    draw_stock,
)
from training.synthesize.style import Style
from triage.groups import candidate_groups

SHARPEST_SLAB = 0
FAR_SLAB = 1
NEAR_SLAB = 2
_SMALLEST_WIDTH_PX = 7.0
_TRIES = 12
_LEAST_OFFSET = 0.7
"""Of the smaller radius: no two middles lie closer, so that both outlines can still be told."""
_CROSSING = 2.5
"""Larvae and hairs may be so many times longer than an egg may be: pictures often show a part of one."""


@dataclass(frozen=True)
class Scene:
    """One picture before it is drawn; everything but `shape_hw` and `um_per_px` may be left plain.

    Attributes
    ----------
    shape_hw : tuple of int
    um_per_px : float
    objects : dict of Things
        By name of the kind; these are in the truth.
    specks : dict of Things
        By name of the clutter; these are not.
    key : int
        Seed of the grain.
    """

    shape_hw: tuple[int, int]
    um_per_px: float
    objects: dict[str, Things] = field(default_factory=dict)
    specks: dict[str, Things] = field(default_factory=dict)
    debris: Debris = field(default_factory=Debris)
    optics: Optics = field(default_factory=Optics)
    light: Light = field(default_factory=Light)
    camera: Camera = field(default_factory=Camera)
    marks: Marks = field(default_factory=Marks)
    key: int = 0


@dataclass(frozen=True)
class _Drawn:
    """One object that still needs a place: a row of its kind's stock."""

    kind: Kind
    stock: Stock
    row: int

    @property
    def length_um(self) -> float:
        return float(self.stock.parameters["length_um"][self.row])

    @property
    def width_um(self) -> float:
        return float(self.stock.parameters["width_um"][self.row])


def draw_scene(
    seed: int,
    index: int,
    style: Style,
    shape_hw: tuple[int, int],
    *,
    um_per_px: float | None = None,
    kinds: Mapping[str, Kind] = KINDS,
    stocks: StockSource = draw_stock,
) -> Scene:
    """The scene number `index` of the series `seed`: the same on every call, in every process.

    Parameters
    ----------
    seed, index : int
        Name the scene; nothing else does.
    style : Style
    shape_hw : tuple of int
        Height and width of the picture in pixels.
    um_per_px : float, optional
        Pixel size; drawn from the style when left out.
    kinds : mapping of str to Kind
        The kinds to draw from.
    stocks : callable, optional
        Where the objects come from; drawn on the spot when left out.

    Returns
    -------
    Scene
    """
    rng = np.random.default_rng([seed, index])
    if style.parts:
        weights = np.array([weight for weight, _ in style.parts])
        style = style.parts[rng.choice(len(weights), p=weights / weights.sum())][1]
    area_mpx = shape_hw[0] * shape_hw[1] / 1e6
    candidates, look_alikes = _split_kinds(kinds)
    n_candidates = style.least_candidates + int(
        rng.poisson(rng.uniform(*style.candidates_per_mpx) * area_mpx)
    )
    n_look_alikes = style.least_look_alikes + int(
        rng.poisson(rng.uniform(*style.look_alikes_per_mpx) * area_mpx)
    )
    n_candidates, n_look_alikes = n_candidates * bool(candidates), n_look_alikes * bool(look_alikes)
    drawn = _draw_objects(rng, candidates, n_candidates, stocks)
    drawn += _draw_objects(rng, look_alikes, n_look_alikes, stocks)
    um_per_px = um_per_px or _draw_scale(rng, style, drawn)
    clutter = rng.uniform(*style.clutter)
    optics = draw_optics(rng, um_per_px, rng.uniform(*style.softness), style.resolved_px)
    return Scene(
        shape_hw=shape_hw,
        um_per_px=um_per_px,
        objects=_place(rng, _fitting(drawn, um_per_px, shape_hw), style, shape_hw, um_per_px),
        specks=_scatter(rng, SPECKS, clutter, shape_hw, um_per_px),
        debris=draw_debris(rng, um_per_px, clutter),
        optics=optics,
        light=draw_light(rng, shape_hw, style.eyepiece_share, style.stain_share),
        camera=draw_camera(rng),
        marks=draw_marks(rng, shape_hw) if rng.random() < style.marks_share else Marks(),
        key=int(rng.integers(2**31)),
    )


def _split_kinds(kinds: Mapping[str, Kind]) -> tuple[dict[str, list[Kind]], dict[str, list[Kind]]]:
    """Kinds by group: candidates, then look-alikes."""
    split: tuple[dict[str, list[Kind]], dict[str, list[Kind]]] = ({}, {})
    for kind in kinds.values():
        split[kind.group not in candidate_groups()].setdefault(kind.group, []).append(kind)
    return split


def _draw_objects(
    rng: np.random.Generator, groups: dict[str, list[Kind]], n: int, stocks: StockSource
) -> list[_Drawn]:
    """`n` objects of a few kinds: one slide seldom holds more."""
    if n == 0:
        return []
    names = list(groups)
    shares = np.array([LOOK_ALIKE_SHARES.get(name, 1.0) for name in names])
    present = []
    for group in rng.choice(len(names), size=int(rng.integers(1, 4)), p=shares / shares.sum()):
        members = groups[names[group]]
        weights = np.array([kind.weight for kind in members])
        present.append(members[rng.choice(len(members), p=weights / weights.sum())])
    return [
        _Drawn(kind, stocks(kind, int(rng.integers(STOCKS_OF_A_KIND))), int(rng.integers(OBJECTS_IN_A_STOCK)))
        for kind in (present[which] for which in rng.integers(0, len(present), n))
    ]


def _draw_scale(rng: np.random.Generator, style: Style, drawn: Sequence[_Drawn]) -> float:
    """µm per pixel: from the first object's wanted length, else from the style's span."""
    if style.object_px is None or not drawn:
        return log_even(rng, *style.um_per_px)
    return drawn[0].length_um / log_even(rng, *style.object_px)


def _fitting(drawn: Sequence[_Drawn], um_per_px: float, shape_hw: tuple[int, int]) -> list[_Drawn]:
    """Objects that this pixel size can show and this picture can hold; long look-alikes may cross it."""
    largest = 1.5 * max(shape_hw) * um_per_px
    smallest = _SMALLEST_WIDTH_PX * um_per_px
    longest = {True: largest, False: _CROSSING * largest}
    return [
        one
        for one in drawn
        if one.length_um <= longest[one.kind.group in candidate_groups()]
        and smallest <= one.width_um <= largest
    ]


def _place(
    rng: np.random.Generator,
    drawn: Sequence[_Drawn],
    style: Style,
    shape_hw: tuple[int, int],
    um_per_px: float,
) -> dict[str, Things]:
    """Each object at its place, by kind."""
    taken: list[tuple[float, float, float]] = []
    for one in drawn:
        taken.append(_find_place(rng, one, style, shape_hw, um_per_px, taken))
    placed: dict[str, Things] = {}
    for name in dict.fromkeys(one.kind.name for one in drawn):
        rows = [row for row, one in enumerate(drawn) if one.kind.name == name]
        n, stocks = len(rows), [(drawn[row].stock, drawn[row].row) for row in rows]
        placed[name] = Things(
            parameters={
                key: np.stack([stock.parameters[key][row] for stock, row in stocks])
                for key in stocks[0][0].parameters
            },
            outline_um=np.stack([stock.outline_um[row] for stock, row in stocks]),
            centre_xy=np.array([taken[row][:2] for row in rows]),
            angle_rad=rng.uniform(0, 2 * np.pi, n),
            slab=rng.choice([SHARPEST_SLAB, NEAR_SLAB], n, p=[0.75, 0.25]).astype(np.int64),
            offset=rng.random((n, 2)).astype(np.float32),
        )
    return placed


def _find_place(
    rng: np.random.Generator,
    one: _Drawn,
    style: Style,
    shape_hw: tuple[int, int],
    um_per_px: float,
    taken: Sequence[tuple[float, float, float]],
) -> tuple[float, float, float]:
    """x, y and radius of a free place; near a neighbour for clusters, across one for overlaps.

    Where none is free it is anywhere.
    """
    radius = (one.length_um + one.width_um) / 4 / um_per_px
    extent = np.array(shape_hw[::-1], float)
    inset = min(one.length_um / um_per_px / 2, 0.5 * extent.min()) if style.centred else -0.35 * radius
    if taken and style.overlap_share and rng.random() < style.overlap_share:
        return (*_find_place_across(rng, radius, extent, inset, taken), radius)
    touching = bool(taken) and rng.random() < style.cluster_share
    x, y = 0.0, 0.0
    for _ in range(_TRIES):
        if touching:
            x0, y0, r0 = taken[rng.integers(len(taken))]
            x, y = _step_from(rng, x0, y0, rng.uniform(0.8, 1.1) * (r0 + radius))
        else:
            x, y = rng.uniform(inset, extent - inset)
        gap = 0.75 if touching else 1.0
        if all(np.hypot(x - x0, y - y0) > gap * (radius + r0) for x0, y0, r0 in taken):
            break
    return float(x), float(y), radius


def _find_place_across(
    rng: np.random.Generator,
    radius: float,
    extent: NDArray[np.float64],
    inset: float,
    taken: Sequence[tuple[float, float, float]],
) -> tuple[float, float]:
    """x and y of a place that lies across another object, in the picture and on no other one's middle."""
    x, y = 0.0, 0.0
    for _ in range(_TRIES):
        x0, y0, r0 = taken[rng.integers(len(taken))]
        least = _LEAST_OFFSET * min(radius, r0)
        x, y = _step_from(rng, x0, y0, rng.uniform(least, max(0.8 * (r0 + radius), least)))
        is_inside = bool(np.all((np.array((x, y)) >= inset) & (np.array((x, y)) <= extent - inset)))
        if is_inside and all(
            np.hypot(x - x1, y - y1) > _LEAST_OFFSET * min(radius, r1) for x1, y1, r1 in taken
        ):
            break
    return x, y


def _step_from(rng: np.random.Generator, x0: float, y0: float, distance: float) -> tuple[float, float]:
    """A place so far from x0, y0, in any direction."""
    turn = rng.uniform(0, 2 * np.pi)
    return float(x0 + distance * np.cos(turn)), float(y0 + distance * np.sin(turn))


def _scatter(
    rng: np.random.Generator,
    specks: Mapping[str, Speck],
    clutter: float,
    shape_hw: tuple[int, int],
    um_per_px: float,
) -> dict[str, Things]:
    """Unlabelled clutter, partly even and partly gathered in patches."""
    height, width = (side + 2 * MARGIN_PX for side in shape_hw)
    scattered = {}
    for name, speck in specks.items():
        amount = clutter * rng.random() ** 1.5
        n = int(rng.poisson(amount * rng.uniform(*speck.per_mpx) * height * width / 1e6))
        if n == 0:
            continue
        even = rng.uniform(0, [width, height], (n, 2))
        patches = rng.uniform(0, [width, height], (4, 2))
        gathered = patches[rng.integers(0, 4, n)] + rng.normal(
            0, rng.uniform(0.03, 0.2) * min(height, width), (n, 2)
        )
        in_patch = rng.random(n) < rng.uniform(0, 0.8)
        scattered[name] = Things(
            parameters=speck.draw_parameters(rng, n, um_per_px),
            centre_xy=np.where(in_patch[:, None], gathered, even) - MARGIN_PX,
            angle_rad=rng.uniform(0, 2 * np.pi, n),
            slab=rng.choice(3, n, p=_SPECK_SLABS[name == "blot"]).astype(np.int64),
            offset=rng.random((n, 2)).astype(np.float32),
            outline_um=np.zeros((n, 0, 2), np.float32),
        )
    return scattered


_SPECK_SLABS = ((0.5, 0.25, 0.25), (0.05, 0.85, 0.1))
