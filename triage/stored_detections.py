"""Detections as text and back, exact to the last bit, for steps that are stored and resumed."""

from __future__ import annotations

import json

import numpy as np

from triage.errors import RecordError
from triage.groups import read_groups
from triage.merge import join_detections
from triage.records import Detections, Ranked


def detections_to_json(detections: Detections) -> str:
    """Detections as JSON text; numbers keep every bit."""
    whole = join_detections([detections], len(read_groups()))
    return json.dumps({name: array.tolist() for name, array in vars(whole).items()})


def detections_from_json(text: str) -> Detections:
    """Detections from what `detections_to_json` returned.

    Raises
    ------
    RecordError
        If the text is damaged, a list is missing or the lists don't belong together.
    """
    try:
        values = json.loads(text)
        n = len(values["scores"])
        return Detections(
            boxes_xyxy=np.array(values["boxes_xyxy"], dtype=np.float64).reshape(n, 4),
            scores=np.array(values["scores"], dtype=np.float64).reshape(n),
            group_scores=np.array(values["group_scores"], dtype=np.float64).reshape(n, len(read_groups())),
            ellipses=np.array(values["ellipses"], dtype=np.float64).reshape(n, 5),
            is_cut=np.array(values["is_cut"], dtype=np.bool_).reshape(n),
            # Steps stored before the scale was kept have none.
            factors=np.array(values.get("factors", [None] * n), dtype=np.float64).reshape(n),
        )
    except (KeyError, ValueError, TypeError) as err:
        raise RecordError(
            f"Stored detections can't be read ({err}); five lists of one length are needed. "
            "Run the step again."
        ) from err


def ranked_to_json(part: Ranked) -> str:
    """A part of the ranked detections as JSON text; numbers keep every bit."""
    values = {"first_rank": part.first_rank, "n_sought": part.n_sought}
    return json.dumps(values | json.loads(detections_to_json(part.detections)))


def ranked_from_json(text: str) -> Ranked:
    """A part from what `ranked_to_json` returned.

    Raises
    ------
    RecordError
        If the text is damaged.
    """
    detections = detections_from_json(text)
    try:
        values = json.loads(text)
        return Ranked(detections, int(values["first_rank"]), int(values["n_sought"]))
    except (KeyError, ValueError, TypeError) as err:
        raise RecordError(f"Stored ranks can't be read ({err}). Run the step again.") from err
