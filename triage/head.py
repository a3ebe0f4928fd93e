"""What the network's map says, read without torch, so that serving on a CPU needs none.

A cell of the map speaks for 8 x 8 pixels. It holds the logit of being a candidate, the group logits, the
logarithms of the distances from the middle of the cell to the four edges of the box, and an ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.boxes import clip_boxes, suppress_overlaps
from triage.records import Detections

STRIDE_PX = 8
BOX_UNIT_PX = 32.0
ELLIPSE_UNIT_PX = 64.0
LOG_RANGE = (-5.0, 4.0)
"""Keeps a stray value from becoming an infinite box."""
SCORE_FLOOR = 0.05
MOST_DETECTIONS = 200
SAME_OBJECT_IOU = 0.5
"""Boxes of one tile that overlap more than this are one object with two peaks."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class HeadLayout:
    """Which channels of the head's map hold what, for `n_groups` groups."""

    n_groups: int

    @property
    def heat(self) -> int:
        """Channel of the logit of being a candidate."""
        return 0

    @property
    def groups(self) -> slice:
        """Channels of the group logits."""
        return slice(1, 1 + self.n_groups)

    @property
    def box(self) -> slice:
        """Channels of the logarithms of left, top, right, bottom over `BOX_UNIT_PX`."""
        return slice(1 + self.n_groups, 5 + self.n_groups)

    @property
    def ellipse(self) -> slice:
        """Channels of log length, log width, cos 2θ, sin 2θ, centre offset x, y; see `_read_ellipses`."""
        return slice(5 + self.n_groups, 11 + self.n_groups)

    @property
    def n_channels(self) -> int:
        """All channels together."""
        return 11 + self.n_groups


def decode_head(
    head: NDArray[np.float32], layout: HeadLayout, *, floor: float = SCORE_FLOOR, most: int = MOST_DETECTIONS
) -> Detections:
    """The detections of one tile, best first.

    Parameters
    ----------
    head : ndarray of shape (layout.n_channels, H, W)
        The network's map of the tile.
    layout : HeadLayout
        Says which channel holds what.
    floor : float
        Lowest score that is kept.
    most : int
        Most detections that are kept.

    Returns
    -------
    detections : Detections
        In the pixels of the tile, boxes clipped to it; equal scores keep the order of rows, then columns.
    """
    scores = _sigmoid(head[layout.heat].astype(np.float64))
    rows, columns = _find_peaks(scores, floor)
    order = np.argsort(-scores[rows, columns], kind="stable")
    rows, columns = rows[order], columns[order]
    cells = head[:, rows, columns].T.astype(np.float64)
    x = (columns.astype(np.float64) + 0.5) * STRIDE_PX
    y = (rows.astype(np.float64) + 0.5) * STRIDE_PX
    boxes = _read_boxes(cells[:, layout.box], x, y, head.shape[1:])
    kept = suppress_overlaps(boxes, scores[rows, columns], SAME_OBJECT_IOU)[:most]
    return Detections(
        boxes_xyxy=boxes[kept],
        scores=scores[rows, columns][kept],
        group_scores=_softmax(cells[kept, layout.groups]),
        ellipses=_read_ellipses(cells[:, layout.ellipse], x, y)[kept],
    )


def count_at_a_time(n: int, tile_px: int, side_px: int) -> int:
    """How many tiles of side `side_px` have the area of `n` tiles of `tile_px`; at least 1."""
    return max(1, round(n * (tile_px / side_px) ** 2))


def _sigmoid(logits: Array) -> Array:
    result: Array = 1.0 / (1.0 + np.exp(-np.clip(logits, -60.0, 60.0)))
    return result


def _softmax(logits: Array) -> Array:
    shares = np.exp(logits - logits.max(axis=1, keepdims=True))
    result: Array = shares / shares.sum(axis=1, keepdims=True)
    return result


def _find_peaks(scores: Array, floor: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of cells that no neighbour exceeds."""
    # Here alone, so that training on drawn slides needs no library of pictures.
    import cv2

    # What lies beyond the map counts as below everything.
    highest_near = cv2.dilate(scores, np.ones((3, 3), dtype=np.uint8))
    rows, columns = np.nonzero((scores >= highest_near) & (scores >= floor))
    return rows, columns


def _read_boxes(raw: Array, x: Array, y: Array, shape_hw: tuple[int, ...]) -> Array:
    far = np.exp(np.clip(raw, *LOG_RANGE)) * BOX_UNIT_PX
    boxes = np.stack((x - far[:, 0], y - far[:, 1], x + far[:, 2], y + far[:, 3]), axis=1)
    return clip_boxes(boxes, (shape_hw[0] * STRIDE_PX, shape_hw[1] * STRIDE_PX))


def _read_ellipses(raw: Array, x: Array, y: Array) -> Array:
    """Rows `cx, cy, length_px, width_px, angle_deg` of raw values (N, 6).

    Raw are log length, log width, cos 2θ, sin 2θ, offset x, y. The angle is doubled so that both ends of an
    axis mean the same; sides are in `ELLIPSE_UNIT_PX`, as is the offset from the middle of the cell.
    """
    sides = np.exp(np.clip(raw[:, 0:2], *LOG_RANGE)) * ELLIPSE_UNIT_PX
    angle = np.degrees(np.arctan2(raw[:, 3], raw[:, 2])) / 2
    angle = np.where(sides[:, 0] >= sides[:, 1], angle, angle + 90.0)
    angle = 90.0 - np.mod(90.0 - angle, 180.0)
    return np.stack(
        (
            x + raw[:, 4] * ELLIPSE_UNIT_PX,
            y + raw[:, 5] * ELLIPSE_UNIT_PX,
            sides.max(axis=1),
            sides.min(axis=1),
            angle,
        ),
        axis=1,
    )
