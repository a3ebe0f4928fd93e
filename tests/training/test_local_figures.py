from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from training.dataset import MarkedObject, MarkedPicture
from training.evaluate import Judged
from training.local_figures import LocalFigures, to_figures, to_lines
from training.metrics import match_candidates, wilson_interval
from triage.records import Candidate, Ellipse, SizeCheck

DRAWN = {"recall_at_0.1": 0.5, "group_right": 0.75, "tiles": 8.0, "objects": 9.0}
WHOLE = (50.0, 50.0, 40.0, 20.0, 0.0)


def candidate(x: float, *, score: float, length_px: float = 40.0, group: str = "oocyst") -> Candidate:
    return Candidate(
        rank=1,
        bbox_xywh=(x, 40.0, 40.0, 20.0),
        score=score,
        group=group,
        group_scores={},
        ellipse=Ellipse(x + 20, 50.0, length_px, 20.0, 0.0),
        length_um=None,
        width_um=None,
        length_um_sd=None,
        width_um_sd=None,
        size_check=SizeCheck("no calibration"),
        reasons=(),
    )


def judge(n_objects: int, *candidates: Candidate) -> Judged:
    """A picture with so many oocysts of 40 x 20 px, 100 px apart."""
    objects = tuple(
        MarkedObject(
            (100.0 * place, 40.0, 100.0 * place + 40.0, 60.0),
            "oocyst",
            WHOLE,
            is_truncated=False,
            visible=1.0,
            alternatives_xyxy=(),
        )
        for place in range(n_objects)
    )
    marked = MarkedPicture(1, Path("a.png"), None, "a", objects, ())
    boxes = np.array([one.bbox_xywh for one in candidates], dtype=np.float64).reshape(-1, 4)
    boxes[:, 2:] += boxes[:, :2]
    scores = np.array([one.score for one in candidates], dtype=np.float64)
    truth = marked.to_truth()
    return Judged(marked, truth, candidates, match_candidates(boxes, scores, truth))


@pytest.fixture
def figures() -> LocalFigures:
    """Two objects found, one under another group, both too short; one false alarm on an empty picture."""
    found = judge(
        2,
        candidate(0.0, score=0.9, length_px=36.0),
        candidate(100.0, score=0.6, length_px=32.0, group="giardia_cyst"),
    )
    empty = judge(0, candidate(0.0, score=0.7), candidate(200.0, score=0.3))
    return to_figures([found, empty], default_cut=0.5, drawn=DRAWN)


def test_figures_count_what_was_found_and_what_not(figures: LocalFigures) -> None:
    assert (figures.n_pictures, figures.n_objects, figures.n_object_free) == (2, 2, 1)
    assert figures.n_found == {"0.1": 1, "0.5": 2, "1": 2}
    assert (figures.n_group_right, figures.n_listed) == (1, 2)
    assert (figures.n_false_at_recall, figures.n_false_at_cut) == (1, 1)
    assert figures.length_errors == pytest.approx((-0.1, -0.2))


def test_figures_carry_intervals(figures: LocalFigures) -> None:
    said = figures.to_json()
    assert said["recall"]["0.1"]["interval"] == wilson_interval(1, 2)
    assert said["length_bias"]["mean"] == pytest.approx(-0.15)
    # Student's t for 1 degree of freedom is 12.706 (tables); the deviation of -0.1 and -0.2 is 0.0707.
    low, high = said["length_bias"]["interval"]
    assert (high - low) / 2 == pytest.approx(12.706 * 0.070711 / 2**0.5, rel=1e-3)


def test_an_unreached_recall_is_said(figures: LocalFigures) -> None:
    missed = to_figures([judge(2, candidate(0.0, score=0.9))], default_cut=0.5, drawn=DRAWN)
    assert not missed.recall_reached and figures.recall_reached
    assert any("not reached" in line for line in to_lines(missed, missed))
    assert not any("not reached" in line for line in to_lines(figures, figures))


def test_lines_stand_before_and_after_side_by_side(figures: LocalFigures) -> None:
    better = dataclasses.replace(figures, n_found={"0.1": 2, "0.5": 2, "1": 2})
    (line,) = [line for line in to_lines(figures, better) if line.startswith("recall at 0.1")]
    assert "0.50 1/2" in line and "1.00 2/2" in line and line.index("0.50 1/2") < line.index("1.00 2/2")


def test_nothing_held_out_is_said(figures: LocalFigures) -> None:
    none: Any = to_figures([], default_cut=0.5, drawn=DRAWN)
    assert "No picture of the set is held out" in to_lines(none, none)[0]
