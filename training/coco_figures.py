"""COCO's average precision and recall of candidates, whatever their group.

References
----------
Lin et al. 2014, "Microsoft COCO" (arXiv 1405.0312) and its evaluation page: intersection over union 0.50 to
0.95 in steps of 0.05, 101 recall points, at most 1, 10 or 100 detections a picture.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.metrics import PictureTruth
from triage.boxes import to_xywh

Floats = NDArray[np.float64]

_NAMES = ("AP", "AP50", "AP75", "AP_small", "AP_medium", "AP_large", "AR1", "AR10", "AR100")


def coco_figures(truths: Sequence[PictureTruth], found: Sequence[tuple[Floats, Floats]]) -> dict[str, float]:
    """COCO's summary figures; -1 where there is nothing to average.

    Parameters
    ----------
    truths : sequence of PictureTruth
        The objects of each picture; ignored regions become COCO's crowds.
    found : sequence of (boxes_xyxy, scores)
        Boxes (N, 4) and scores (N,) for each picture.

    Returns
    -------
    figures : dict of str to float
        `AP`, `AP50`, `AP75`, `AP_small`, `AP_medium`, `AP_large`, `AR1`, `AR10`, `AR100`.
    """
    from faster_coco_eval import COCO, COCOeval_faster

    with contextlib.redirect_stdout(io.StringIO()):
        marked = COCO(to_coco(truths))
        rows = to_coco_results(found)
        if not rows:
            return dict.fromkeys(_NAMES, 0.0 if marked.anns else -1.0)
        judge = COCOeval_faster(marked, marked.loadRes(rows), "bbox")
        judge.evaluate()
        judge.accumulate()
        judge.summarize()
    return {name: float(value) for name, value in zip(_NAMES, judge.stats, strict=False)}


def to_coco(truths: Sequence[PictureTruth]) -> dict[str, Any]:
    """The truth as a COCO dictionary with one category."""
    annotations: list[dict[str, Any]] = []
    for image_id, truth in enumerate(truths, start=1):
        marked = [(box, 0) for box in truth.boxes_xyxy] + [(box, 1) for box in truth.ignored_xyxy]
        for box, is_crowd in marked:
            annotations.append(_to_annotation(box, is_crowd, image_id, len(annotations) + 1))
    return {
        "info": {},
        "images": [{"id": image_id} for image_id in range(1, len(truths) + 1)],
        "annotations": annotations,
        "categories": [{"id": 1, "name": "candidate"}],
    }


def to_coco_results(found: Sequence[tuple[Floats, Floats]]) -> list[dict[str, Any]]:
    """The candidates as COCO result rows."""
    return [
        {"image_id": image_id, "category_id": 1, "bbox": list(to_xywh(box)), "score": float(score)}
        for image_id, (boxes, scores) in enumerate(found, start=1)
        for box, score in zip(boxes, scores, strict=True)
    ]


def _to_annotation(box: Floats, is_crowd: int, image_id: int, number: int) -> dict[str, Any]:
    x, y, width, height = to_xywh(box)
    return {
        "id": number,
        "image_id": image_id,
        "category_id": 1,
        "bbox": [x, y, width, height],
        "area": width * height,
        "iscrowd": is_crowd,
    }
