from __future__ import annotations

import numpy as np
import pytest

from triage.head import (
    BOX_UNIT_PX,
    ELLIPSE_UNIT_PX,
    STRIDE_PX,
    HeadLayout,
    count_at_a_time,
    decode_head,
)

LAYOUT = HeadLayout(3)


def empty_head(rows: int = 16, columns: int = 16) -> np.ndarray:
    head = np.zeros((LAYOUT.n_channels, rows, columns), dtype=np.float32)
    head[LAYOUT.heat] = -9.0
    return head


def put(
    head: np.ndarray, row: int, column: int, *, logit: float = 2.0, half_wh: tuple[float, float] = (20, 10)
) -> None:
    head[LAYOUT.heat, row, column] = logit
    head[LAYOUT.box, row, column] = np.log(np.array([*half_wh, *half_wh]) / BOX_UNIT_PX)


def put_ellipse(
    head: np.ndarray, row: int, column: int, *, length: float, width: float, angle: float
) -> None:
    double = np.radians(2 * angle)
    sides = np.log(np.array([length, width]) / ELLIPSE_UNIT_PX)
    head[LAYOUT.ellipse, row, column] = [*sides, np.cos(double), np.sin(double), 2 / ELLIPSE_UNIT_PX, 0]


def test_decode_reads_box_around_the_middle_of_the_cell() -> None:
    head = empty_head()
    put(head, 5, 8, half_wh=(20, 10))
    found = decode_head(head, LAYOUT)
    x, y = 8.5 * STRIDE_PX, 5.5 * STRIDE_PX
    np.testing.assert_allclose(found.boxes_xyxy, [[x - 20, y - 10, x + 20, y + 10]], atol=1e-4)
    assert found.scores == pytest.approx([1 / (1 + np.exp(-2.0))])


@pytest.mark.parametrize("angle", [-89.0, -45.0, 0.0, 30.0, 90.0])
def test_decode_reads_the_ellipse(angle: float) -> None:
    head = empty_head()
    put(head, 5, 8)
    put_ellipse(head, 5, 8, length=60, width=30, angle=angle)
    np.testing.assert_allclose(
        decode_head(head, LAYOUT).ellipses, [[8.5 * STRIDE_PX + 2, 5.5 * STRIDE_PX, 60, 30, angle]], atol=1e-3
    )


def test_decode_turns_an_ellipse_that_is_wider_than_long() -> None:
    head = empty_head()
    put(head, 5, 8)
    put_ellipse(head, 5, 8, length=30, width=60, angle=20)
    np.testing.assert_allclose(decode_head(head, LAYOUT).ellipses[0, 2:], [60, 30, -70], atol=1e-3)


def test_decode_clips_boxes_to_the_tile() -> None:
    head = empty_head()
    put(head, 0, 15, half_wh=(30, 30))
    np.testing.assert_allclose(decode_head(head, LAYOUT).boxes_xyxy, [[94, 0, 128, 34]], atol=1e-4)


def test_decode_keeps_the_best_of_neighbouring_cells() -> None:
    head = empty_head()
    put(head, 5, 8, logit=2.0)
    put(head, 5, 9, logit=1.0)
    assert decode_head(head, LAYOUT).scores == pytest.approx([1 / (1 + np.exp(-2.0))])


def test_decode_keeps_one_of_two_peaks_of_a_large_object() -> None:
    head = empty_head()
    put(head, 7, 6, half_wh=(40, 40))
    put(head, 7, 8, half_wh=(40, 40))
    assert len(decode_head(head, LAYOUT).scores) == 1


def test_decode_keeps_small_objects_side_by_side() -> None:
    head = empty_head()
    put(head, 7, 6, half_wh=(7, 7))
    put(head, 7, 8, half_wh=(7, 7))
    assert len(decode_head(head, LAYOUT).scores) == 2


def test_decode_orders_by_score_and_ends_at_the_floor() -> None:
    head = empty_head()
    for column, logit in ((2, -1.0), (6, 1.0), (10, -3.5)):
        put(head, 4, column, logit=logit, half_wh=(8, 8))
    scores = decode_head(head, LAYOUT, floor=0.05).scores
    assert scores == pytest.approx([1 / (1 + np.exp(-1.0)), 1 / (1 + np.exp(1.0))])


def test_decode_keeps_no_more_than_asked() -> None:
    head = empty_head(32, 32)
    for row in range(0, 32, 2):
        for column in range(0, 32, 2):
            put(head, row, column, half_wh=(6, 6))
    assert len(decode_head(head, LAYOUT).scores) == 200
    assert len(decode_head(head, LAYOUT, most=3).scores) == 3


def test_decode_shares_sum_to_one() -> None:
    head = empty_head()
    put(head, 5, 8)
    head[LAYOUT.groups, 5, 8] = [0.0, np.log(2.0), 0.0]
    np.testing.assert_allclose(decode_head(head, LAYOUT).group_scores, [[0.25, 0.5, 0.25]])


def test_decode_of_an_empty_tile_has_the_right_shapes() -> None:
    found = decode_head(empty_head(), LAYOUT)
    shapes = [found.boxes_xyxy.shape, found.scores.shape, found.group_scores.shape, found.ellipses.shape]
    assert shapes == [(0, 4), (0,), (0, 3), (0, 5)]


def test_decode_survives_values_beyond_reason() -> None:
    head = empty_head()
    head[:, 5, 8] = 1e4
    found = decode_head(head, LAYOUT)
    assert np.isfinite(found.boxes_xyxy).all() and np.isfinite(found.ellipses[:, 2:]).all()


@pytest.mark.parametrize(
    ("side_px", "n"),
    # By hand: 16 tiles of 512 px have the area of 7.1 of 768, 64 of 256 and 0.25 of 4096, which is still one.
    [(512, 16), (768, 7), (256, 64), (4096, 1)],
)
def test_tiles_taken_at_a_time_have_one_area(side_px: int, n: int) -> None:
    assert count_at_a_time(16, 512, side_px) == n
