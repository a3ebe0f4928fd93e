"""Which finds of two lookers are the same object."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from triage.boxes import Floats, box_iou

# A hand-drawn box is loose: less than a third of the joint area shared is taken for two objects, unless one
# box holds the other's middle. Our choice, without a source.
LEAST_IOU = 0.3


def match_finds(own_xyxy: Floats, others_xyxy: Floats) -> tuple[tuple[int, int], ...]:
    """Rows of the two lists that are the same object, each row in one pair at most.

    Parameters
    ----------
    own_xyxy : ndarray of shape (N, 4)
        Pixel edges; N may be 0.
    others_xyxy : ndarray of shape (M, 4)
        In the frame of the same picture; M may be 0.

    Returns
    -------
    pairs : tuple of (int, int)
        Row of `own_xyxy` and row of `others_xyxy`, in the order of `own_xyxy`.

    Notes
    -----
    Two boxes may be one object if they share `LEAST_IOU` of their joint area, or the middle of one lies in
    the other. The pair that shares most is taken first; ties go to the earlier rows.
    """
    iou = box_iou(own_xyxy, others_xyxy)
    may_match = (iou >= LEAST_IOU) | _holds_middle(own_xyxy, others_xyxy)
    may_match |= _holds_middle(others_xyxy, own_xyxy).T
    pairs, left_own, left_others = [], set(range(len(own_xyxy))), set(range(len(others_xyxy)))
    for own, other in sorted(np.argwhere(may_match).tolist(), key=lambda pair: -iou[pair[0], pair[1]]):
        if own in left_own and other in left_others:
            left_own.remove(own)
            left_others.remove(other)
            pairs.append((own, other))
    return tuple(sorted(pairs))


def _holds_middle(boxes_xyxy: Floats, others_xyxy: Floats) -> NDArray[np.bool_]:
    """Whether each box holds the middle of each other one."""
    middles = (others_xyxy[:, :2] + others_xyxy[:, 2:]) / 2
    is_after = middles[None, :, :] >= boxes_xyxy[:, None, :2]
    is_before = middles[None, :, :] <= boxes_xyxy[:, None, 2:]
    held: NDArray[np.bool_] = np.all(is_after & is_before, axis=2)
    return held
