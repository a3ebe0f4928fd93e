"""What is truly in a drawn picture: boxes, ellipses, groups, and how well each object can be seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from training.synthesize.camera import Light
from training.synthesize.canvas import Things
from training.synthesize.kinds.kind import Kind
from training.synthesize.optics import WAVELENGTHS_UM
from training.synthesize.scene import Scene
from training.synthesize.sight import (
    COVERING_DENSITY,
    LEAST_VISIBLE,
    Sight,
    count_grains,
    measure_contrast,
    measure_definition,
    to_share_seen,
)
from triage.groups import read_groups

_RINGS = np.sqrt((np.arange(6) + 0.5) / 6)
_SIGHT_RINGS = np.array([0.3, 0.6, 0.8, 0.92, 1.0, 1.06])
"""Where an object is looked at, as shares of the way from its middle to its outline."""
_AROUND_RINGS = np.array([1.3, 1.5])
_EVERY = 4
HIDING_DENSITY = 1.3
_MUCH_LARGER = 2.0
"""A candidate so many times wider hides a smaller one that lies on it or beneath it (by eye, no source)."""
_REACH = 1.12
"""Its rim and halo hide as far as this, as a share of its own outline (by eye)."""
_ARRAYS = (
    "boxes_xyxy",
    "bodies_xyxy",
    "ellipses",
    "labels",
    "visible",
    "shown",
    "contrast",
    "definition",
    "inside",
    "is_truncated",
    "focus_um",
    "focus_depths",
    "debris_cover",
    "sizes_um",
)


@dataclass(frozen=True)
class TileTruth:
    """Every object of one picture, candidates and look-alikes, in pixels of the picture.

    Attributes
    ----------
    boxes_xyxy : ndarray of shape (M, 4)
        Pixel edges of the outer outline, clipped to the picture.
    bodies_xyxy : ndarray of shape (M, 2, 4)
        The same of two bodies that may as well be boxed apart; NaN where there are none.
    ellipses : ndarray of shape (M, 5)
        `cx, cy, length_px, width_px, angle_deg` of the whole outline, clipped or not; angle as in
        `triage.records.Detections`.
    labels : ndarray of shape (M,), int64
        Row in `triage.groups.read_groups()`.
    visible : ndarray of shape (M,)
        How well an object can be seen, 0 to 1: `shown` times what contrast and blur leave of it. Below
        `training.synthesize.sight.LEAST_VISIBLE` nobody could be asked to see it.
    shown : ndarray of shape (M,)
        Share of the outline's area inside the picture, inside the eyepiece and not hidden by debris or by a
        much larger candidate.
    contrast : ndarray of shape (M,)
        How many times a candidate stands out over what can just be seen where it lies; look-alikes are
        taken to stand out in full.
    definition : ndarray of shape (M,)
        How many times more blur its outline could bear.
    inside : ndarray of shape (M,)
        Share of the outline's area inside the picture.
    is_truncated : ndarray of shape (M,), bool
        The outline crosses the picture's edge.
    focus_um : ndarray of shape (M,)
        Height over the plane of focus.
    focus_depths : ndarray of shape (M,)
        The same without its sign, in depths of field (wavelength over NA²).
    debris_cover : ndarray of shape (M,)
        Share of the object and its surroundings that debris and specks cover, thinly or densely.
    sizes_um : ndarray of shape (M, 2)
        Length and width of the outline.
    kinds : tuple of str
        Name of each object's kind.
    um_per_px : float
    light_level : float
        Median light over the picture; 1 is full.
    light_unevenness : float
        Lamp at its brightest over its darkest place, less 1; the eyepiece's edge left out.
    """

    boxes_xyxy: NDArray[np.float64]
    bodies_xyxy: NDArray[np.float64]
    ellipses: NDArray[np.float64]
    labels: NDArray[np.int64]
    visible: NDArray[np.float64]
    shown: NDArray[np.float64]
    contrast: NDArray[np.float64]
    definition: NDArray[np.float64]
    inside: NDArray[np.float64]
    is_truncated: NDArray[np.bool_]
    focus_um: NDArray[np.float64]
    focus_depths: NDArray[np.float64]
    debris_cover: NDArray[np.float64]
    sizes_um: NDArray[np.float64]
    kinds: tuple[str, ...]
    um_per_px: float
    light_level: float = 1.0
    light_unevenness: float = 0.0


def tell_truth(scene: Scene, hidden: NDArray[np.bool_], sight: Sight, kinds: Mapping[str, Kind]) -> TileTruth:
    """The truth of `scene`; objects wholly outside the picture are left out.

    Parameters
    ----------
    scene : Scene
    hidden : ndarray of shape (H, W), bool
        Where debris lets no object show through.
    sight : Sight
        What the objects are seen by.
    kinds : mapping of str to Kind

    Returns
    -------
    TileTruth
    """
    lying = _find_candidates(scene, kinds)
    parts = [
        _of_kind(scene, hidden, sight, kinds[name], things, lying) for name, things in scene.objects.items()
    ]
    whole = replace(
        _join(parts, scene.um_per_px),
        light_level=float(np.median(sight.level)),
        light_unevenness=_measure_unevenness(scene.light, scene.shape_hw),
    )
    boxes = whole.boxes_xyxy
    return _keep(whole, (boxes[:, 2] - boxes[:, 0] > 0.5) & (boxes[:, 3] - boxes[:, 1] > 0.5))


def _find_candidates(scene: Scene, kinds: Mapping[str, Kind]) -> NDArray[np.float64]:
    """Centre, half length and half width in pixels, and angle in radians, of each candidate: (n, 5)."""
    rows = [
        np.column_stack(
            [
                things.centre_xy,
                things.parameters["length_um"] / 2 / scene.um_per_px,
                things.parameters["width_um"] / 2 / scene.um_per_px,
                things.angle_rad,
            ]
        )
        for name, things in scene.objects.items()
        if kinds[name].is_candidate
    ]
    return np.concatenate([np.zeros((0, 5)), *rows]).astype(np.float64)


def _is_on_larger(
    points: NDArray[np.float64], widths_px: NDArray[np.float64], lying: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which points (n, k, 2) of objects so wide lie on a much larger candidate, or beneath it: (n, k)."""
    x, y, half_length, half_width, angle = lying.T[..., None, None]
    dx, dy = points[..., 0] - x, points[..., 1] - y
    along = (dx * np.cos(angle) + dy * np.sin(angle)) / half_length
    across = (dy * np.cos(angle) - dx * np.sin(angle)) / half_width
    is_larger = 2 * half_width > _MUCH_LARGER * widths_px[:, None]
    return np.asarray((is_larger & (along**2 + across**2 < _REACH**2)).any(axis=0))


def _of_kind(
    scene: Scene,
    hidden: NDArray[np.bool_],
    sight: Sight,
    kind: Kind,
    things: Things,
    lying: NDArray[np.float64],
) -> TileTruth:
    outline_um = things.outline_um.astype(np.float64)
    sizes_um = np.stack([things.parameters["length_um"], things.parameters["width_um"]], 1).astype(np.float64)
    outline = place_in_picture(outline_um, things, scene.um_per_px)
    extent_wh = np.array(scene.shape_hw[::-1], float)
    corners = _find_corners(outline)
    boxes = corners.clip(0, extent_wh)
    middle = (outline_um.min(axis=1) + outline_um.max(axis=1))[:, None] / 2
    points = _lay_rings(outline, _RINGS)
    in_picture = _is_in_picture(points, extent_wh)
    widths_px = sizes_um[:, 1] / scene.um_per_px
    is_free = ~_is_on_larger(points, widths_px, lying)
    shown = (in_picture & is_free & _is_shown(points, scene, hidden)).mean(axis=1)
    looked_at, around = _lay_rings(outline, _SIGHT_RINGS), _lay_rings(outline, _AROUND_RINGS)
    if kind.is_candidate:
        contrast = measure_contrast(
            sight,
            looked_at,
            around,
            _is_in_picture(looked_at, extent_wh)
            & _is_shown(looked_at, scene, hidden)
            & ~_is_on_larger(looked_at, widths_px, lying),
            _is_in_picture(around, extent_wh) & _is_shown(around, scene, hidden),
            float(np.hypot(scene.camera.grain, scene.camera.coarse_grain)),
            count_grains(outline, scene.um_per_px),
        )
    else:
        contrast = np.full(len(things), 1 / LEAST_VISIBLE)
    near = np.concatenate([looked_at, around], axis=1)
    focus_um = np.array(scene.optics.slab_z_um)[things.slab]
    definition = measure_definition(
        sizes_um[:, 1], focus_um, scene.optics, scene.camera.blur_px * scene.um_per_px
    )
    angle_deg = 90 - (90 - np.degrees(things.angle_rad)) % 180
    names = [group.name for group in read_groups()]
    return TileTruth(
        boxes_xyxy=boxes.reshape(-1, 4),
        bodies_xyxy=_box_bodies(kind, things, scene),
        ellipses=np.column_stack(
            [place_in_picture(middle, things, scene.um_per_px)[:, 0], sizes_um / scene.um_per_px, angle_deg]
        ),
        labels=np.full(len(things), names.index(kind.group), np.int64),
        visible=shown * to_share_seen(contrast, definition),
        shown=shown,
        contrast=contrast,
        definition=definition,
        inside=in_picture.mean(axis=1),
        is_truncated=(corners != boxes).any(axis=(1, 2)),
        focus_um=focus_um,
        focus_depths=np.abs(focus_um) * scene.optics.na**2 / WAVELENGTHS_UM[1],
        debris_cover=(sight.read("debris", near) > COVERING_DENSITY).mean(axis=1),
        sizes_um=sizes_um,
        kinds=(kind.name,) * len(things),
        um_per_px=scene.um_per_px,
    )


def _find_corners(outlines: NDArray[np.float64]) -> NDArray[np.float64]:
    """Left top and right bottom (n, 2, 2) of each outline (n, k, 2)."""
    return np.stack([outlines.min(axis=1), outlines.max(axis=1)], axis=1)


def _box_bodies(kind: Kind, things: Things, scene: Scene) -> NDArray[np.float64]:
    if kind.bodies is None:
        return np.full((len(things), 2, 4), np.nan)
    outlines_um = kind.bodies(things.parameters).astype(np.float64)
    corners = [
        _find_corners(place_in_picture(outlines_um[:, one], things, scene.um_per_px)) for one in range(2)
    ]
    return np.stack(corners, axis=1).clip(0, np.array(scene.shape_hw[::-1], float)).reshape(-1, 2, 4)


def place_in_picture(points_um: NDArray[np.float64], things: Things, um_per_px: float) -> NDArray[np.float64]:
    """Points (n, k, 2) of the objects' own frames in pixels of the picture."""
    cosine, sine = np.cos(things.angle_rad)[:, None], np.sin(things.angle_rad)[:, None]
    u, v = points_um[..., 0], points_um[..., 1]
    turned = np.stack([u * cosine - v * sine, u * sine + v * cosine], axis=-1)
    return things.centre_xy[:, None] + turned / um_per_px


def _lay_rings(outline: NDArray[np.float64], shares: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (n, k, 2) on rings within (or around) each outline, at these shares of the way to it."""
    centre = outline.mean(axis=1, keepdims=True)
    spokes = (outline - centre)[:, ::_EVERY, None] * shares[:, None]
    return (centre[:, :, None] + spokes).reshape(len(outline), -1, 2)


def _is_in_picture(points: NDArray[np.float64], extent_wh: NDArray[np.float64]) -> NDArray[np.bool_]:
    return np.asarray(((points >= 0) & (points < extent_wh)).all(axis=-1))


def _is_shown(points: NDArray[np.float64], scene: Scene, hidden: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return _is_lit(points, scene.light.eyepiece) & ~_is_hidden(points, hidden)


def _measure_unevenness(light: Light, shape_hw: tuple[int, int]) -> float:
    """Brightest over darkest place of the lamp, less 1, at corners, edges and middles of a 5 x 5 grid."""
    height, width = shape_hw
    y, x = np.meshgrid(np.linspace(0, height, 5), np.linspace(0, width, 5), indexing="ij")
    half = max(height, width) / 2
    even = 1 + light.slope_xy[0] * (x - width / 2) / half + light.slope_xy[1] * (y - height / 2) / half
    away_xy = x - light.vignette_xy[0] * width, y - light.vignette_xy[1] * height
    off_centre = 4 * (away_xy[0] ** 2 + away_xy[1] ** 2) / (height**2 + width**2)
    lamp = np.maximum(even * np.maximum(1 - light.vignette * off_centre, 0.05), 0.01)
    return float(lamp.max() / lamp.min() - 1)


def _is_lit(points: NDArray[np.float64], eyepiece: Sequence[float]) -> NDArray[np.bool_]:
    x, y, radius, _ = eyepiece
    if radius == 0:
        return np.ones(points.shape[:-1], bool)
    return np.hypot(points[..., 0] - x, points[..., 1] - y) < radius


def _is_hidden(points: NDArray[np.float64], hidden: NDArray[np.bool_]) -> NDArray[np.bool_]:
    height, width = hidden.shape
    column = points[..., 0].astype(np.int64).clip(0, width - 1)
    row = points[..., 1].astype(np.int64).clip(0, height - 1)
    return hidden[row, column]


def _join(parts: Sequence[TileTruth], um_per_px: float) -> TileTruth:
    whole = [_no_objects(um_per_px), *parts]
    arrays = {name: np.concatenate([getattr(part, name) for part in whole]) for name in _ARRAYS}
    return TileTruth(
        **arrays, kinds=tuple(name for part in parts for name in part.kinds), um_per_px=um_per_px
    )


def _keep(truth: TileTruth, kept: NDArray[np.bool_]) -> TileTruth:
    arrays = {name: getattr(truth, name)[kept] for name in _ARRAYS}
    kinds = tuple(name for name, keep in zip(truth.kinds, kept, strict=True) if keep)
    return replace(truth, **arrays, kinds=kinds)


def _no_objects(um_per_px: float) -> TileTruth:
    return TileTruth(
        boxes_xyxy=np.zeros((0, 4)),
        bodies_xyxy=np.zeros((0, 2, 4)),
        ellipses=np.zeros((0, 5)),
        labels=np.zeros(0, np.int64),
        visible=np.zeros(0),
        shown=np.zeros(0),
        contrast=np.zeros(0),
        definition=np.zeros(0),
        inside=np.zeros(0),
        is_truncated=np.zeros(0, bool),
        focus_um=np.zeros(0),
        focus_depths=np.zeros(0),
        debris_cover=np.zeros(0),
        sizes_um=np.zeros((0, 2)),
        kinds=(),
        um_per_px=um_per_px,
    )
