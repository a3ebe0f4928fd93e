"""Weighs what several looks at one object, each at another scale of the picture, say together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from triage.boxes import box_iou
from triage.head import SCORE_FLOOR
from triage.merge import order_detections
from triage.records import Detections

Floats = NDArray[np.float64]

# Two boxes that share so much are looks at one object.
_SAME_LOOK_IOU = 0.5
# Kept away from 0 and 1, where a logit has no value.
_LEAST_SCORE = 1e-4


def combine_looks(merged: Detections, seen: Detections, *, has_plain_look: bool) -> Detections:
    """One row for each object with the groups and the score that all looks at it give together.

    Parameters
    ----------
    merged : Detections
        What `triage.merge.merge_detections` made of `seen`.
    seen : Detections
        Of all tiles and scales, with `factors` set.
    has_plain_look : bool
        Whether the picture was also looked at without being enlarged.

    Returns
    -------
    combined : Detections
        Best first; the same whatever order the rows come in.

    Notes
    -----
    Groups are those of `pool_groups`. Enlarging adds no detail but turns granules into what looks like
    cysts, so an enlarged look that scores higher than all plain ones is not taken at its word: the score is
    then half way between, in logits. A plain look that saw nothing counts as the lowest score that the
    network reports. The rule is ours, measured on drawn pictures (`training/runs.md`).
    """
    if seen.factors is None or len(merged.scores) == 0:
        return merged
    seen = order_detections(seen)
    found = _find_looks(merged, seen)
    scores = merged.scores.copy()
    for row, best in enumerate(found):
        if len(best) == 0:
            continue
        plain = float(seen.scores[best][~(_factors(seen)[best] > 1.0)].max(initial=SCORE_FLOOR))
        if has_plain_look and scores[row] > plain:
            scores[row] = _half_way(float(scores[row]), plain)
    groups = _pool(merged, seen, found)
    return order_detections(replace(merged, scores=scores, group_scores=groups))


def pool_groups(merged: Detections, seen: Detections) -> Detections:
    """The same rows, each with the group shares that the looks at it at all scales give together.

    Parameters
    ----------
    merged : Detections
        Some of what `triage.merge.merge_detections` made of `seen`.
    seen : Detections
        Of all tiles and scales, with `factors` set.

    Notes
    -----
    Shares are the mean over the scales, weighted by score. Geometric means were better on drawn pictures and
    worse on photographs (`training/runs.md`).
    """
    if seen.factors is None or len(merged.scores) == 0:
        return merged
    seen = order_detections(seen)
    return replace(merged, group_scores=_pool(merged, seen, _find_looks(merged, seen)))


def _pool(merged: Detections, seen: Detections, found: list[NDArray[np.int64]]) -> Floats:
    groups = merged.group_scores.copy()
    for row, best in enumerate(found):
        if len(best) > 0:
            weights = np.maximum(seen.scores[best], _LEAST_SCORE)
            groups[row] = weights @ seen.group_scores[best] / weights.sum()
    return groups


def _find_looks(merged: Detections, seen: Detections) -> list[NDArray[np.int64]]:
    """The best rows of `seen` that show the object of each row of `merged`, one of each scale.

    `seen` is in the order of `order_detections`.
    """
    boxes, others = merged.boxes_xyxy, seen.boxes_xyxy
    # Boxes that share half their joint area have their centres within half a diagonal of each other.
    reach = np.linalg.norm(boxes[:, 2:] - boxes[:, :2], axis=1) / 2
    near = cKDTree(_centres(others)).query_ball_point(_centres(boxes), reach)
    looks = []
    for box, found in zip(boxes, near, strict=True):
        rows = np.array(sorted(found), dtype=np.int64)
        rows = rows[box_iou(box[None], others[rows])[0] >= _SAME_LOOK_IOU]
        # The first of each scale is its best.
        looks.append(rows[np.unique(_factors(seen)[rows], return_index=True)[1]])
    return looks


def _factors(seen: Detections) -> Floats:
    assert seen.factors is not None
    return seen.factors


def _half_way(score: float, other: float) -> float:
    logits = [np.log(p / (1 - p)) for p in np.clip([score, other], _LEAST_SCORE, 1 - _LEAST_SCORE)]
    return float(1 / (1 + np.exp(-sum(logits) / 2)))


def _centres(boxes_xyxy: Floats) -> Floats:
    centres: Floats = (boxes_xyxy[:, :2] + boxes_xyxy[:, 2:]) / 2
    return centres
