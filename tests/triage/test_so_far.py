from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from triage.calibration import Calibration
from triage.errors import RecordError
from triage.images import Picture
from triage.pipeline import ProposalPlan, conclude_proposal, detect_batch, plan_proposal
from triage.records import Detections, Foretaste
from triage.so_far import MOST_SHOWN, add_batch, best_from_json, best_to_json

EGGS = [(100.0 + 150 * column, 100.0 + 150 * row, 60.0, 40.0, 0.0) for column in range(6) for row in range(6)]


@pytest.fixture
def batches(
    draw: Callable[..., NDArray[np.uint8]],
    open_array: Callable[[NDArray[np.uint8]], Picture],
    blob_detector: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> tuple[Picture, ProposalPlan, list[Detections]]:
    monkeypatch.setattr("triage.pipeline.BATCH_TILES", 3)
    picture = open_array(draw((1000, 1000), EGGS))
    plan = plan_proposal(picture, Calibration(1.0, 0.01, "x"), blob_detector)
    return picture, plan, [detect_batch(picture, plan, at, blob_detector) for at in range(plan.n_batches)]


def gather(plan: ProposalPlan, found: list[Detections]) -> Foretaste:
    best: Foretaste | None = None
    for one in found:
        best = add_batch(plan, best, one)
    assert best is not None
    return best


def test_best_so_far_is_short_and_best_first(batches: tuple[Picture, ProposalPlan, list[Detections]]) -> None:
    _, plan, found = batches
    shown = gather(plan, found).shown
    scores = [one["score"] for one in shown]
    assert len(found) > 3 and len(shown) == MOST_SHOWN < len(EGGS)
    assert scores == sorted(scores, reverse=True)


def test_best_so_far_of_all_batches_lie_where_candidates_come(
    batches: tuple[Picture, ProposalPlan, list[Detections]],
) -> None:
    picture, plan, found = batches
    boxes = [one.bbox_xywh for one in conclude_proposal(picture, plan, found).candidates]
    for one in gather(plan, found).shown:
        assert min(np.abs(np.subtract(one["bbox"], box)).max() for box in boxes) < 4


def test_adding_a_batch_again_changes_nothing(
    batches: tuple[Picture, ProposalPlan, list[Detections]],
) -> None:
    _, plan, found = batches
    once = best_to_json(gather(plan, found[:2]))
    again = best_to_json(gather(plan, [*found[:2], found[1]]))
    assert json.dumps(again) == json.dumps(once) and once["shown"]


def test_best_so_far_lists_nothing_below_the_cut(
    batches: tuple[Picture, ProposalPlan, list[Detections]], blob_detector: Any
) -> None:
    _, plan, found = batches
    plan.detector["default_cut"] = 1.01
    assert gather(plan, found).shown == ()


def test_best_from_json_gives_back_what_was_kept(
    batches: tuple[Picture, ProposalPlan, list[Detections]],
) -> None:
    _, plan, found = batches
    values = json.loads(json.dumps(best_to_json(gather(plan, found[:1]))))
    kept = best_from_json(values)
    assert kept is not None and best_to_json(kept) == values
    assert best_from_json(None) is None
    with pytest.raises(RecordError, match="can't be read"):
        best_from_json({"detections": {}})
