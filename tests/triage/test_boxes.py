from __future__ import annotations

import numpy as np
import pytest
import torch
import torchvision.ops
from numpy.typing import NDArray

from triage.boxes import (
    box_areas,
    box_iou,
    check_boxes,
    clip_boxes,
    intersection_areas,
    suppress_overlaps,
    to_xywh,
)
from triage.errors import BoxError


def draw_boxes(n: int, seed: int) -> NDArray[np.float64]:
    generator = np.random.default_rng(seed)
    corners = generator.uniform(0, 100, (n, 2))
    return np.concatenate([corners, corners + generator.uniform(1, 40, (n, 2))], axis=1)


def test_box_areas_equal_torchvision() -> None:
    boxes = draw_boxes(50, 1)
    np.testing.assert_allclose(box_areas(boxes), torchvision.ops.box_area(torch.from_numpy(boxes)).numpy())


def test_box_iou_equals_torchvision() -> None:
    boxes, others = draw_boxes(40, 2), draw_boxes(30, 3)
    expected = torchvision.ops.box_iou(torch.from_numpy(boxes), torch.from_numpy(others)).numpy()
    np.testing.assert_allclose(box_iou(boxes, others), expected, atol=1e-12)


def test_clip_boxes_equals_torchvision() -> None:
    boxes = draw_boxes(40, 4) - 10
    expected = torchvision.ops.clip_boxes_to_image(torch.from_numpy(boxes), (60, 80)).numpy()
    np.testing.assert_array_equal(clip_boxes(boxes, (60, 80)), expected)


@pytest.mark.parametrize("threshold", [0.0, 0.3, 0.5, 0.9])
def test_suppress_overlaps_equals_torchvision(threshold: float) -> None:
    boxes = draw_boxes(600, 5)
    scores = np.random.default_rng(6).permutation(600) / 600
    expected = torchvision.ops.nms(torch.from_numpy(boxes), torch.from_numpy(scores), threshold).numpy()
    np.testing.assert_array_equal(suppress_overlaps(boxes, scores, threshold), expected)


def test_box_iou_of_a_worked_example() -> None:
    # 40 x 40 px boxes shifted by 10 px share 30 x 40 of 2000 px²: 0.6.
    boxes = np.array([[10.0, 10, 50, 50]])
    assert box_iou(boxes, boxes + np.array([10, 0, 10, 0]))[0, 0] == pytest.approx(0.6)


def test_box_iou_of_empty_boxes_is_zero() -> None:
    assert box_iou(np.zeros((1, 4)), np.zeros((1, 4)))[0, 0] == 0.0


def test_box_functions_take_no_boxes() -> None:
    none = np.zeros((0, 4))
    assert box_areas(none).shape == (0,)
    assert intersection_areas(none, draw_boxes(3, 7)).shape == (0, 3)
    assert box_iou(draw_boxes(3, 7), none).shape == (3, 0)
    assert clip_boxes(none, (5, 5)).shape == (0, 4)
    assert suppress_overlaps(none, np.zeros(0), 0.5).shape == (0,)
    check_boxes(none)


def test_suppress_overlaps_keeps_the_first_of_equal_scores() -> None:
    boxes = np.repeat(draw_boxes(1, 8), 3, axis=0)
    assert suppress_overlaps(boxes, np.full(3, 0.5), 0.5).tolist() == [0]


def test_check_boxes_names_the_row_without_extent() -> None:
    with pytest.raises(BoxError, match=r"Box 1 is \[5\.0, 5\.0, 5\.0, 9\.0\]"):
        check_boxes(np.array([[0.0, 0, 1, 1], [5, 5, 5, 9]]))


def test_to_xywh_gives_left_top_width_height() -> None:
    assert to_xywh(np.array([1.0, 2, 4, 8])) == (1.0, 2.0, 3.0, 6.0)
