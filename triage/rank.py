"""Orders candidates for the reader; ties always break the same way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from triage.boxes import to_xywh
from triage.records import Detections

SCORE_DECIMALS = 4
"""Scores are told, and so ranked by, with so many decimals."""


def rank_rows(detections: Detections) -> NDArray[np.int64]:
    """Rows by falling score, then from top to bottom, left to right, larger first; the first has rank 1."""
    keys = [
        _rank_key(round(float(score), SCORE_DECIMALS), to_xywh(box))
        for score, box in zip(detections.scores, detections.boxes_xyxy, strict=True)
    ]
    return np.array(sorted(range(len(keys)), key=keys.__getitem__), dtype=np.int64)


def _rank_key(score: float, bbox_xywh: tuple[float, float, float, float]) -> tuple[float, ...]:
    x, y, width, height = bbox_xywh
    return (-score, y, x, -width, -height)
