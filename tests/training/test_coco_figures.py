from __future__ import annotations

import contextlib
import io

import numpy as np
import pytest
from pycocotools.coco import COCO
from pycocotools.cocoeval import COCOeval

from training.coco_figures import coco_figures, to_coco, to_coco_results
from training.metrics import PictureTruth


def xywh(*rows: tuple[float, float, float, float]) -> np.ndarray:
    boxes = np.array(rows, dtype=np.float64).reshape(-1, 4)
    boxes[:, 2:] += boxes[:, :2]
    return boxes


TRUE = PictureTruth.of(xywh((10, 10, 40, 40), (100, 100, 40, 40)))


@pytest.mark.parametrize(
    ("found", "wanted"),
    # Run once with pycocotools 2.0 on one picture with two true boxes.
    [
        (
            (xywh((10, 10, 40, 40), (10, 100, 40, 40), (100, 100, 40, 40)), np.array([0.9, 0.8, 0.7])),
            {"AP": 0.834983, "AR1": 0.5, "AR10": 1.0},
        ),
        (
            (xywh((20, 10, 40, 40), (100, 100, 40, 40)), np.array([0.9, 0.7])),
            {"AP": 0.476733, "AP50": 1.0, "AP75": 0.252475, "AR1": 0.15, "AR10": 0.65},
        ),
        ((xywh((10, 10, 40, 40)), np.array([0.9])), {"AP": 0.504950, "AR10": 0.5}),
    ],
    ids=["false_in_between", "exactly_0.6_counts", "one_never_proposed"],
)
def test_coco_figures_equal_worked_cases(
    found: tuple[np.ndarray, np.ndarray], wanted: dict[str, float]
) -> None:
    figures = coco_figures([TRUE], [found])
    assert {name: figures[name] for name in wanted} == pytest.approx(wanted, abs=1e-6)


def test_coco_figures_equal_pycocotools_on_random_pictures() -> None:
    random = np.random.default_rng(5)
    truths, found = [], []
    for _ in range(12):
        boxes = xywh(*np.column_stack((random.uniform(0, 200, (4, 2)), random.uniform(20, 120, (4, 2)))))
        truths.append(PictureTruth.of(boxes, ignored_xyxy=xywh((0, 0, 40, 40))))
        found.append((boxes + random.normal(0, 6, boxes.shape), random.uniform(0, 1, 4)))
    assert list(coco_figures(truths, found).values()) == pytest.approx(
        _with_pycocotools(truths, found), abs=1e-9
    )


def _with_pycocotools(truths: list[PictureTruth], found: list[tuple[np.ndarray, np.ndarray]]) -> list[float]:
    with contextlib.redirect_stdout(io.StringIO()):
        marked = COCO()
        marked.dataset = to_coco(truths)
        marked.createIndex()
        judge = COCOeval(marked, marked.loadRes(to_coco_results(found)), "bbox")
        judge.evaluate()
        judge.accumulate()
        judge.summarize()
    return judge.stats[:9].tolist()


def test_a_candidate_in_an_ignored_region_costs_nothing() -> None:
    box, ignored = xywh((10, 10, 40, 40)), xywh((100, 100, 80, 80))
    truth = PictureTruth.of(box, ignored_xyxy=ignored)
    found = (np.concatenate((xywh((120, 120, 20, 20)), box)), np.array([0.9, 0.8]))
    assert coco_figures([truth], [found])["AP"] == pytest.approx(1.0)


def test_coco_figures_of_no_candidates_are_zero() -> None:
    assert coco_figures([TRUE], [(xywh(), np.zeros(0))])["AP"] == 0.0


def test_coco_figures_without_objects_say_so() -> None:
    assert coco_figures([PictureTruth.of(xywh())], [(xywh(), np.zeros(0))])["AP"] == -1.0
