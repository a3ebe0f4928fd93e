"""Drawn scans: one large scene, cut into overlapping fields whose places are known exactly."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from training.synthesize.camera import Camera, Light
from training.synthesize.canvas import SLABS
from training.synthesize.kinds import KINDS
from training.synthesize.kinds.kind import Kind
from training.synthesize.marks import Marks
from training.synthesize.optics import Optics
from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.style import FIELD

_BLOCK_PX = 1024
_JOIN_PX = 48
_EMPTY = (217.0, 217.0, 217.0)
_FADE_PX = 12.0
_SPECKS_ON_SENSOR = 6
_LOOKS_OF_A_BLOCK = 8
"""A block may be mirrored and turned by right angles, which no shift of a field brings to coincide."""


@dataclass(frozen=True)
class ScanPlan:
    """How a scan is taken.

    Attributes
    ----------
    rows, columns : int
    field_hw : tuple of int
        Rows and columns of one field in pixels.
    overlap : float
        Share of a field that the next one shows too.
    jitter_px : float
        Greatest error of a step along each axis, even.
    tilt_deg : float
        Camera against the stage, the same for all fields.
    turn_deg : float
        Greatest further turn of a single field, even.
    blank_share : float
        Share of places that are empty glass.
    vignette : float
        Share of light lost in the corners.
    slope_xy : tuple of float
        Brightening across the half-sides.
    exposure_sd : float
        Relative scatter of the exposure.
    noise : float
        Deviation of the grain, in grey levels of 255.
    um_per_px : float
    seed : int
    """

    rows: int = 6
    columns: int = 6
    field_hw: tuple[int, int] = (480, 640)
    overlap: float = 0.2
    jitter_px: float = 15.0
    tilt_deg: float = 1.0
    turn_deg: float = 0.0
    blank_share: float = 0.0
    vignette: float = 0.3
    slope_xy: tuple[float, float] = (0.08, -0.05)
    exposure_sd: float = 0.03
    noise: float = 3.0
    um_per_px: float = 0.6
    seed: int = 1


@dataclass(frozen=True)
class Scan:
    """Fields in the order in which they were taken, there and back, and the truth.

    Attributes
    ----------
    fields : list of ndarray of shape (H, W, 3), uint8
    middle_xy : ndarray of shape (N, 2)
        Middle of each field in pixels, in a frame that lies as the camera does.
    turn_deg : ndarray of shape (N,)
        Turn of each field against that frame.
    is_blank : ndarray of shape (N,)
    """

    fields: list[NDArray[np.uint8]]
    middle_xy: NDArray[np.float64]
    turn_deg: NDArray[np.float64]
    is_blank: NDArray[np.bool_]


def draw_scan(plan: ScanPlan, *, kinds: Mapping[str, Kind] = KINDS) -> Scan:
    """The scan that the plan describes, the same on every call.

    Raises
    ------
    ValueError
        If the plan has no field or an overlap outside 0 to 0.9.
    """
    if min(plan.rows, plan.columns) < 1 or not 0 <= plan.overlap <= 0.9:
        raise ValueError(f"A scan needs rows and columns and an overlap of 0 to 0.9, received {plan}.")
    rng = np.random.default_rng([plan.seed, 7_601])
    stage_xy = _step(plan, rng)
    is_blank = np.zeros(len(stage_xy), dtype=bool)
    is_blank[rng.permutation(len(stage_xy))[: round(plan.blank_share * len(stage_xy))]] = True
    size_wh = np.ceil(stage_xy.max(axis=0) + stage_xy.min(axis=0)).astype(int)
    slide = draw_slide((int(size_wh[1]), int(size_wh[0])), plan.seed, plan.um_per_px, kinds=kinds)
    turn_deg = rng.uniform(-plan.turn_deg, plan.turn_deg, len(stage_xy))
    for place in np.flatnonzero(is_blank):
        _wipe(slide, stage_xy[place], plan, plan.tilt_deg + turn_deg[place])
    lamp = _light(plan, rng)
    fields = [
        _take(
            slide,
            stage_xy[n],
            plan.tilt_deg + turn_deg[n],
            lamp * (1 + rng.normal(0, plan.exposure_sd)),
            plan,
            rng,
        )
        for n in range(len(stage_xy))
    ]
    return Scan(fields, stage_xy @ _turn(plan.tilt_deg), turn_deg, is_blank)


def _turn(angle_deg: float) -> NDArray[np.float64]:
    angle = math.radians(angle_deg)
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def _step(plan: ScanPlan, rng: np.random.Generator) -> NDArray[np.float64]:
    """Middles of the fields on the slide, row by row, every other row backwards."""
    height, width = plan.field_hw
    row, along = np.divmod(np.arange(plan.rows * plan.columns), plan.columns)
    column = np.where(row % 2 == 0, along, plan.columns - 1 - along)
    steps = np.stack([column * (1 - plan.overlap) * width, row * (1 - plan.overlap) * height], axis=1)
    steps += rng.uniform(-plan.jitter_px, plan.jitter_px, steps.shape)
    margin = plan.jitter_px + 0.03 * max(height, width) + 4
    first: NDArray[np.float64] = np.array([width / 2, height / 2]) + margin
    return steps - steps.min(axis=0) + first


def draw_slide(
    shape_hw: tuple[int, int], seed: int, um_per_px: float, *, kinds: Mapping[str, Kind] = KINDS
) -> NDArray[np.float32]:
    """A stretch of slide of any size, evenly lit and without grain, shape (H, W, 3), 0 to 255.

    Notes
    -----
    It is put together from blocks of at most 1024 px that fade into each other. Each block is drawn once
    and used in up to eight looks, mirrored and turned.
    """
    height, width = shape_hw
    side = min(_BLOCK_PX, max(shape_hw))
    pitch = side - _JOIN_PX
    rows, columns = (max(1, math.ceil((length - _JOIN_PX) / pitch)) for length in shape_hw)
    total = np.zeros((*shape_hw, 3), np.float32)
    weights = np.zeros((*shape_hw, 1), np.float32)
    ramp = np.minimum(np.arange(1, side + 1), np.arange(side, 0, -1)) / _JOIN_PX
    fade = np.minimum(ramp[:, None], ramp[None]).clip(0, 1).astype(np.float32)[..., None]
    drawn: dict[int, NDArray[np.float32]] = {}
    for block in range(rows * columns):
        number, look = divmod(block, _LOOKS_OF_A_BLOCK)
        if number not in drawn:
            drawn = {number: _draw_block(seed, number, side, um_per_px, kinds)}
        piece = np.rot90(drawn[number][:, ::-1] if look >= 4 else drawn[number], look % 4)
        top, left = (block // columns) * pitch, (block % columns) * pitch
        tall, wide = min(side, height - top), min(side, width - left)
        there = slice(top, top + tall), slice(left, left + wide)
        total[there] += (fade * piece)[:tall, :wide]
        weights[there] += fade[:tall, :wide]
    return total / weights


def _draw_block(
    seed: int, number: int, side: int, um_per_px: float, kinds: Mapping[str, Kind]
) -> NDArray[np.float32]:
    scene = draw_scene(seed, number, FIELD, (side, side), um_per_px=um_per_px, kinds=kinds)
    scene = replace(
        scene,
        optics=Optics(na=0.25, condenser_na=0.2, slab_z_um=(0.0,) * SLABS),
        light=Light(),
        camera=Camera(),
        marks=Marks(),
    )
    pictures, _ = render_scenes([scene])
    return pictures[0].permute(1, 2, 0).numpy().astype(np.float32)


def _wipe(
    slide: NDArray[np.float32], middle_xy: NDArray[np.float64], plan: ScanPlan, angle_deg: float
) -> None:
    """Leave only empty glass where this field looks."""
    height, width = plan.field_hw
    reach = math.ceil(math.hypot(height, width) / 2 + _FADE_PX) + 1
    left, top = (max(0, int(value) - reach) for value in middle_xy)
    window = slide[top : int(middle_xy[1]) + reach, left : int(middle_xy[0]) + reach]
    y, x = np.mgrid[: window.shape[0], : window.shape[1]].astype(np.float64)
    off = np.stack([x + left - middle_xy[0], y + top - middle_xy[1]], axis=-1) @ _turn(angle_deg)
    beyond = np.maximum(np.abs(off[..., 0]) - width / 2, np.abs(off[..., 1]) - height / 2)
    kept = (beyond / _FADE_PX).clip(0, 1).astype(np.float32)[..., None]
    window[:] = kept * window + (1 - kept) * np.array(_EMPTY, np.float32)


def _light(plan: ScanPlan, rng: np.random.Generator) -> NDArray[np.float64]:
    """Light over a field with the dust that sits on the sensor, shape (H, W, 1)."""
    height, width = plan.field_hw
    y, x = np.meshgrid(np.linspace(-1, 1, height), np.linspace(-1, 1, width), indexing="ij")
    lamp = (1 + plan.slope_xy[0] * x + plan.slope_xy[1] * y) * (1 - plan.vignette * (x**2 + y**2) / 2)
    for _ in range(_SPECKS_ON_SENSOR):
        at_x, at_y = rng.uniform(-1, 1, 2)
        far = np.hypot((x - at_x) * width / 2, (y - at_y) * height / 2) / (0.008 * width)
        lamp *= 1 - 0.12 * np.exp(-0.5 * far**2)
    return lamp[..., None]


def _take(
    slide: NDArray[np.float32],
    middle_xy: NDArray[np.float64],
    angle_deg: float,
    lamp: NDArray[np.float64],
    plan: ScanPlan,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """One field as the camera stores it."""
    height, width = plan.field_hw
    rotation = _turn(angle_deg)
    shift = middle_xy - rotation @ [(width - 1) / 2, (height - 1) / 2]
    seen = cv2.warpAffine(
        slide,
        np.column_stack([rotation, shift]),
        (width, height),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.rint(seen * lamp + rng.normal(0, plan.noise, seen.shape)).clip(0, 255).astype(np.uint8)
