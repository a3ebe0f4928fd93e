"""What is truly in a drawn picture: boxes, ellipses, groups, and how much of each object shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from training.synthesize.canvas import Things
from training.synthesize.kinds.kind import Kind
from training.synthesize.scene import Scene
from triage.groups import read_groups

_RINGS = np.sqrt((np.arange(6) + 0.5) / 6)
_EVERY = 4
HIDING_DENSITY = 1.3
_ARRAYS = ("boxes_xyxy", "ellipses", "labels", "visible", "inside", "is_truncated", "focus_um", "sizes_um")


@dataclass(frozen=True)
class TileTruth:
    """Every object of one picture, candidates and look-alikes, in pixels of the picture.

    Attributes
    ----------
    boxes_xyxy : ndarray of shape (M, 4)
        Pixel edges of the outer outline, clipped to the picture.
    ellipses : ndarray of shape (M, 5)
        `cx, cy, length_px, width_px, angle_deg` of the whole outline, clipped or not; angle as in
        `triage.records.Detections`.
    labels : ndarray of shape (M,), int64
        Row in `triage.groups.read_groups()`.
    visible : ndarray of shape (M,)
        Share of the outline's area inside the picture, inside the eyepiece and not hidden by debris.
    inside : ndarray of shape (M,)
        Share of the outline's area inside the picture.
    is_truncated : ndarray of shape (M,), bool
        The outline crosses the picture's edge.
    focus_um : ndarray of shape (M,)
        Height over the plane of focus.
    sizes_um : ndarray of shape (M, 2)
        Length and width of the outline.
    kinds : tuple of str
        Name of each object's kind.
    um_per_px : float
    """

    boxes_xyxy: NDArray[np.float64]
    ellipses: NDArray[np.float64]
    labels: NDArray[np.int64]
    visible: NDArray[np.float64]
    inside: NDArray[np.float64]
    is_truncated: NDArray[np.bool_]
    focus_um: NDArray[np.float64]
    sizes_um: NDArray[np.float64]
    kinds: tuple[str, ...]
    um_per_px: float


def tell_truth(scene: Scene, hidden: NDArray[np.bool_], kinds: Mapping[str, Kind]) -> TileTruth:
    """The truth of `scene`; objects wholly outside the picture are left out.

    Parameters
    ----------
    scene : Scene
    hidden : ndarray of shape (H, W), bool
        Where debris lets no object show through.
    kinds : mapping of str to Kind

    Returns
    -------
    TileTruth
    """
    parts = [_of_kind(scene, hidden, kinds[name], things) for name, things in scene.objects.items()]
    whole = _join(parts, scene.um_per_px)
    boxes = whole.boxes_xyxy
    return _keep(whole, (boxes[:, 2] - boxes[:, 0] > 0.5) & (boxes[:, 3] - boxes[:, 1] > 0.5))


def _of_kind(scene: Scene, hidden: NDArray[np.bool_], kind: Kind, things: Things) -> TileTruth:
    outline_um = things.outline_um.astype(np.float64)
    outline = _to_picture(outline_um, things, scene.um_per_px)
    extent_wh = np.array(scene.shape_hw[::-1], float)
    corners = np.stack([outline.min(axis=1), outline.max(axis=1)], axis=1)
    boxes = corners.clip(0, extent_wh)
    middle = (outline_um.min(axis=1) + outline_um.max(axis=1))[:, None] / 2
    points = _fill(outline)
    in_picture = ((points >= 0) & (points < extent_wh)).all(axis=-1)
    shows = in_picture & _is_lit(points, scene.light.eyepiece) & ~_is_hidden(points, hidden)
    sizes_um = np.stack([things.parameters["length_um"], things.parameters["width_um"]], 1).astype(np.float64)
    angle_deg = 90 - (90 - np.degrees(things.angle_rad)) % 180
    names = [group.name for group in read_groups()]
    return TileTruth(
        boxes_xyxy=boxes.reshape(-1, 4),
        ellipses=np.column_stack(
            [_to_picture(middle, things, scene.um_per_px)[:, 0], sizes_um / scene.um_per_px, angle_deg]
        ),
        labels=np.full(len(things), names.index(kind.group), np.int64),
        visible=shows.mean(axis=1),
        inside=in_picture.mean(axis=1),
        is_truncated=(corners != boxes).any(axis=(1, 2)),
        focus_um=np.array(scene.optics.slab_z_um)[things.slab],
        sizes_um=sizes_um,
        kinds=(kind.name,) * len(things),
        um_per_px=scene.um_per_px,
    )


def _to_picture(points_um: NDArray[np.float64], things: Things, um_per_px: float) -> NDArray[np.float64]:
    """Points (n, k, 2) of the objects' own frames in pixels of the picture."""
    cosine, sine = np.cos(things.angle_rad)[:, None], np.sin(things.angle_rad)[:, None]
    u, v = points_um[..., 0], points_um[..., 1]
    turned = np.stack([u * cosine - v * sine, u * sine + v * cosine], axis=-1)
    return things.centre_xy[:, None] + turned / um_per_px


def _fill(outline: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (n, k, 2) spread evenly over the area within each outline."""
    centre = outline.mean(axis=1, keepdims=True)
    spokes = (outline - centre)[:, ::_EVERY, None] * _RINGS[:, None]
    return (centre[:, :, None] + spokes).reshape(len(outline), -1, 2)


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
    return TileTruth(**arrays, kinds=kinds, um_per_px=truth.um_per_px)


def _no_objects(um_per_px: float) -> TileTruth:
    return TileTruth(
        boxes_xyxy=np.zeros((0, 4)),
        ellipses=np.zeros((0, 5)),
        labels=np.zeros(0, np.int64),
        visible=np.zeros(0),
        inside=np.zeros(0),
        is_truncated=np.zeros(0, bool),
        focus_um=np.zeros(0),
        sizes_um=np.zeros((0, 2)),
        kinds=(),
        um_per_px=um_per_px,
    )
