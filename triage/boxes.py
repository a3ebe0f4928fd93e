"""Box arithmetic on pixel edges `x1, y1, x2, y2`; every function takes N = 0 boxes as well."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from triage.errors import BoxError

Floats = NDArray[np.float64]

# Bounds the memory for overlaps of all boxes with all.
_ROWS_AT_A_TIME = 256


def box_areas(boxes_xyxy: Floats) -> Floats:
    """Area of each box, in square pixels.

    Parameters
    ----------
    boxes_xyxy : ndarray of shape (N, 4)

    Returns
    -------
    areas : ndarray of shape (N,)
    """
    sides = np.clip(boxes_xyxy[:, 2:] - boxes_xyxy[:, :2], 0, None)
    areas: Floats = sides[:, 0] * sides[:, 1]
    return areas


def intersection_areas(boxes_xyxy: Floats, others_xyxy: Floats) -> Floats:
    """Area that each box shares with each of the others.

    Parameters
    ----------
    boxes_xyxy : ndarray of shape (N, 4)
    others_xyxy : ndarray of shape (M, 4)

    Returns
    -------
    shared : ndarray of shape (N, M)
    """
    # One side after the other: loops over both together would be two steps long.
    width, height = (
        np.minimum.outer(boxes_xyxy[:, axis + 2], others_xyxy[:, axis + 2])
        - np.maximum.outer(boxes_xyxy[:, axis], others_xyxy[:, axis])
        for axis in (0, 1)
    )
    shared: Floats = np.maximum(width, 0) * np.maximum(height, 0)
    return shared


def box_iou(boxes_xyxy: Floats, others_xyxy: Floats) -> Floats:
    """Shared area over joint area for each pair; 0 where both boxes are empty.

    Parameters
    ----------
    boxes_xyxy : ndarray of shape (N, 4)
    others_xyxy : ndarray of shape (M, 4)

    Returns
    -------
    iou : ndarray of shape (N, M), 0 to 1
    """
    shared = intersection_areas(boxes_xyxy, others_xyxy)
    joint = box_areas(boxes_xyxy)[:, None] + box_areas(others_xyxy)[None, :] - shared
    return np.divide(shared, joint, out=np.zeros_like(shared), where=joint > 0)


def clip_boxes(boxes_xyxy: Floats, shape_hw: tuple[int, int]) -> Floats:
    """Boxes cut at the borders of a frame of `shape_hw` rows and columns; shape (N, 4)."""
    height, width = shape_hw
    return np.clip(boxes_xyxy, 0, np.array([width, height, width, height], dtype=np.float64))


def suppress_overlaps(boxes_xyxy: Floats, scores: Floats, iou_threshold: float) -> NDArray[np.int64]:
    """Rows kept by greedy non-maximum suppression, best score first; equal scores keep their order.

    Parameters
    ----------
    boxes_xyxy : ndarray of shape (N, 4)
    scores : ndarray of shape (N,)
    iou_threshold : float
        A box goes when its IoU with a kept one is above this.

    Returns
    -------
    rows : ndarray of shape (K,)
    """
    best_first = np.argsort(-scores, kind="stable").astype(np.int64)
    boxes_xyxy, n = boxes_xyxy[best_first], len(best_first)
    is_kept = np.ones(n, dtype=np.bool_)
    for start in range(0, n, _ROWS_AT_A_TIME):
        some = boxes_xyxy[start : start + _ROWS_AT_A_TIME]
        # One call for all of these takes a fraction of the time that one a box does.
        is_close = box_iou(some, boxes_xyxy[start:]) > iou_threshold
        for row in np.flatnonzero(np.triu(is_close, 1).any(axis=1)):
            if is_kept[start + row]:
                is_kept[start + row + 1 :] &= ~is_close[row, row + 1 :]
    return best_first[is_kept]


def check_boxes(boxes_xyxy: Floats) -> None:
    """Refuse boxes without extent.

    Raises
    ------
    BoxError
        If a box has no width or no height; the message gives its row.
    """
    empty = np.flatnonzero(~np.all(boxes_xyxy[:, 2:] > boxes_xyxy[:, :2], axis=1))
    if empty.size:
        row = int(empty[0])
        raise BoxError(
            f"Box {row} is {boxes_xyxy[row].tolist()}; x2 must be above x1 and y2 above y1. "
            "Draw the box again."
        )


def from_xywh(boxes_xywh: Sequence[Sequence[float]]) -> Floats:
    """Boxes (N, 4) as left, top, right, bottom, of left, top, width, height; N may be 0."""
    xywh = np.array(boxes_xywh, dtype=np.float64).reshape(-1, 4)
    return np.column_stack([xywh[:, :2], xywh[:, :2] + xywh[:, 2:]])


def to_xywh(box_xyxy: Floats) -> tuple[float, float, float, float]:
    """One box as left, top, width, height (the form COCO files use)."""
    x1, y1, x2, y2 = (float(edge) for edge in box_xyxy)
    return x1, y1, x2 - x1, y2 - y1
