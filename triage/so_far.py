"""The best of what was found so far in a picture that is still being looked through.

Provisional: nothing is measured, what lies in tiles not looked at yet is missing, and a better view of an
object may still come. The final candidates come from `triage.pipeline.merge_batches` alone.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from triage.boxes import to_xywh
from triage.groups import candidate_groups, read_groups
from triage.merge import empty_detections, join_detections, merge_detections, take_detections
from triage.pipeline import ProposalPlan
from triage.rank import SCORE_DECIMALS
from triage.records import Detections, Foretaste
from triage.stored_detections import detections_from_json, detections_to_json

MOST_SHOWN = 24


def add_batch(plan: ProposalPlan, best: Foretaste | None, found: Detections) -> Foretaste:
    """The best of `best` and one more batch; cost and size don't grow with the number of batches.

    Parameters
    ----------
    plan : ProposalPlan
    best : Foretaste or None
        Of the batches before; None at first.
    found : Detections
        Of one batch; adding the same one again changes nothing.
    """
    n_groups = len(read_groups())
    before = empty_detections(n_groups) if best is None else best.detections
    merged = merge_detections(join_detections([before, found], n_groups))
    merged = take_detections(merged, np.arange(min(MOST_SHOWN, len(merged.scores)), dtype=np.int64))
    scores = plan.score_calibration.calibrate_scores(merged.scores)
    shares = [plan.score_calibration.calibrate_groups(row) for row in merged.group_scores]
    names = [group.name for group in read_groups()]
    columns = [names.index(name) for name in candidate_groups()]
    shown = tuple(
        {
            "bbox": [round(value, 2) for value in to_xywh(box)],
            "score": round(float(score), SCORE_DECIMALS),
            "group": names[max(columns, key=lambda column: share[column])],
        }
        for box, score, share in zip(merged.boxes_xyxy, scores, shares, strict=True)
        if round(float(score), SCORE_DECIMALS) >= float(plan.detector["default_cut"])
    )
    return Foretaste(merged, shown)


def best_to_json(best: Foretaste) -> dict[str, Any]:
    """As plain values for `json.dumps`; numbers keep every bit."""
    return {"detections": json.loads(detections_to_json(best.detections)), "shown": list(best.shown)}


def best_from_json(values: dict[str, Any] | None) -> Foretaste | None:
    """From what `best_to_json` returned.

    Raises
    ------
    RecordError
        If the values are damaged.
    """
    if values is None:
        return None
    return Foretaste(
        detections_from_json(json.dumps(values.get("detections"))), tuple(values.get("shown", ()))
    )
