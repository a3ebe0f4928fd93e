from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from plain_merge import merge_plainly

from triage.groups import read_groups
from triage.merge import empty_detections, join_detections, merge_detections, take_detections
from triage.records import Detections

N_GROUPS = len(read_groups())


def ellipse_box(ellipse: tuple[float, ...]) -> tuple[float, float, float, float]:
    """Box of a tilted ellipse: half-sides sqrt(a²cos²t + b²sin²t) and sqrt(a²sin²t + b²cos²t)."""
    cx, cy, length, width, angle = ellipse
    turn = np.deg2rad(angle)
    half_x = np.hypot(length / 2 * np.cos(turn), width / 2 * np.sin(turn))
    half_y = np.hypot(length / 2 * np.sin(turn), width / 2 * np.cos(turn))
    return cx - half_x, cy - half_y, cx + half_x, cy + half_y


def detect(
    *rows: tuple[tuple[float, float, float, float, float], float], cut: tuple[bool, ...] = ()
) -> Detections:
    """Detections from (ellipse, score) pairs."""
    n = len(rows)
    return Detections(
        boxes_xyxy=np.array([ellipse_box(ellipse) for ellipse, _ in rows], dtype=np.float64).reshape(-1, 4),
        scores=np.array([score for _, score in rows], dtype=np.float64),
        group_scores=np.full((n, N_GROUPS), 1 / N_GROUPS),
        ellipses=np.array([ellipse for ellipse, _ in rows], dtype=np.float64).reshape(-1, 5),
        is_cut=np.array(cut or (False,) * n, dtype=np.bool_),
    )


def cut_at(detections: Detections, row: int, x: float, *, keep_left: bool) -> Detections:
    """The given row cut by a vertical tile edge at x."""
    boxes, ellipses, is_cut = (
        detections.boxes_xyxy.copy(),
        detections.ellipses.copy(),
        detections.is_cut.copy(),
    )
    boxes[row, 2 if keep_left else 0] = x
    ellipses[row, 0] = (boxes[row, 0] + boxes[row, 2]) / 2
    is_cut[row] = True
    return Detections(boxes, detections.scores, detections.group_scores, ellipses, is_cut)


def assert_same(one: Detections, other: Detections) -> None:
    for name in ("boxes_xyxy", "scores", "group_scores", "ellipses", "is_cut"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_merge_detections_takes_none() -> None:
    assert_same(merge_detections(empty_detections(N_GROUPS)), empty_detections(N_GROUPS))


def test_merge_detections_joins_one_object_seen_in_two_tiles() -> None:
    merged = merge_detections(detect(((100, 100, 80, 40, 30), 0.8), ((101.5, 99, 78, 41, 28), 0.9)))
    assert merged.scores.tolist() == [0.9]
    assert merged.ellipses[0].tolist() == [101.5, 99, 78, 41, 28]


def test_merge_detections_joins_one_object_seen_at_two_scales() -> None:
    merged = merge_detections(detect(((100, 100, 80, 40, 30), 0.8), ((104, 97, 100, 60, 10), 0.4)))
    assert merged.scores.tolist() == [0.8]


@pytest.mark.parametrize("angle", range(-90, 90, 15))
@pytest.mark.parametrize(("length", "width"), [(85, 75), (80, 40), (60, 14), (12, 12)])
def test_merge_detections_never_joins_touching_neighbours(length: float, width: float, angle: float) -> None:
    # Side by side along the long side: the boxes overlap most where the eggs are long and slanted.
    across = np.deg2rad(angle + 90)
    first = (200.0, 200.0, length, width, angle)
    second = (200 + width * np.cos(across), 200 + width * np.sin(across), length, width, angle)
    merged = merge_detections(detect((first, 0.9), (second, 0.7)))
    assert len(merged.scores) == 2


@pytest.mark.parametrize("angle", range(-90, 90, 15))
def test_merge_detections_keeps_a_small_neighbour_in_the_corner_of_a_slanted_box(angle: float) -> None:
    turn = np.deg2rad(angle + 90)
    beside = (200 + 30 * np.cos(turn), 200 + 30 * np.sin(turn), 16.0, 14.0, 0.0)
    merged = merge_detections(detect(((200, 200, 90, 40, angle), 0.9), (beside, 0.8)))
    assert len(merged.scores) == 2


def test_merge_detections_keeps_crossing_neighbours() -> None:
    merged = merge_detections(detect(((200, 200, 80, 40, 0), 0.9), ((230, 215, 80, 40, 90), 0.8)))
    assert len(merged.scores) == 2


def test_merge_detections_leaves_out_a_part_of_an_object() -> None:
    merged = merge_detections(detect(((200, 200, 80, 60, 0), 0.9), ((188, 203, 30, 28, 0), 0.6)))
    assert merged.scores.tolist() == [0.9]


@pytest.mark.parametrize("clump_score", [0.5, 0.85, 0.95])
def test_merge_detections_leaves_out_a_clump_of_objects_seen_one_by_one(clump_score: float) -> None:
    clump = ((200, 225, 104, 82, 90), clump_score)
    merged = merge_detections(detect(((200, 200, 80, 50, 0), 0.9), ((200, 250, 80, 50, 0), 0.8), clump))
    assert merged.scores.tolist() == [0.9, 0.8]


def test_merge_detections_takes_two_views_of_one_part_for_no_clump() -> None:
    parts = [((200, 200, 62, 44, 0), 0.8), ((201, 201, 61, 45, 0), 0.75)]
    merged = merge_detections(detect(((200, 204, 80, 60, 0), 0.9), *parts))
    assert merged.scores.tolist() == [0.9]


def test_merge_detections_keeps_an_egg_around_two_weak_cells() -> None:
    cells = [((180, 200, 38, 50, 0), 0.3), ((220, 200, 38, 50, 0), 0.3)]
    assert merge_detections(detect(((200, 200, 84, 60, 0), 0.9), *cells)).scores.tolist() == [0.9]


def test_merge_detections_prefers_the_whole_object_to_a_better_scored_piece() -> None:
    both = detect(((100, 100, 80, 40, 0), 0.95), ((100, 100, 80, 40, 0), 0.6))
    merged = merge_detections(cut_at(both, 0, 120, keep_left=True))
    assert merged.boxes_xyxy.tolist() == [[60, 80, 140, 120]]
    assert merged.is_cut.tolist() == [False]


def test_merge_detections_prefers_the_whole_object_to_the_two_pieces_that_tiles_make_of_it() -> None:
    three = detect(*[((100, 100, 80, 60, 0), score) for score in (0.9, 0.8, 0.8)])
    pieces = cut_at(cut_at(three, 1, 102, keep_left=True), 2, 98, keep_left=False)
    assert merge_detections(pieces).boxes_xyxy.tolist() == [[60, 70, 140, 130]]


def test_merge_detections_joins_pieces_of_an_object_no_tile_saw_whole() -> None:
    both = detect(((200, 200, 160, 70, 0), 0.7), ((200, 200, 160, 70, 0), 0.8))
    pieces = cut_at(cut_at(both, 0, 248, keep_left=True), 1, 152, keep_left=False)
    merged = merge_detections(pieces)
    assert merged.boxes_xyxy.tolist() == [[120, 165, 280, 235]]
    assert merged.scores.tolist() == [0.8]
    assert merged.ellipses.tolist() == [[200, 200, 160, 70, 0]]


def test_merge_detections_keeps_a_lone_piece() -> None:
    merged = merge_detections(cut_at(detect(((200, 200, 160, 70, 0), 0.7)), 0, 248, keep_left=True))
    assert merged.boxes_xyxy.tolist() == [[120, 165, 248, 235]]


def test_merge_detections_keeps_the_neighbour_of_a_cut_object() -> None:
    three = detect(((200, 200, 80, 40, 0), 0.9), ((200, 240, 80, 40, 0), 0.8), ((200, 240, 80, 40, 0), 0.7))
    merged = merge_detections(cut_at(three, 2, 220, keep_left=True))
    assert merged.scores.tolist() == [0.9, 0.8]


def crowd(seed: int, n: int) -> Detections:
    """A crowd in which tiles, scales and cuts repeat objects with small errors and many equal scores."""
    generator = np.random.default_rng(seed)
    rows = []
    for _ in range(n):
        cx, cy = generator.uniform(0, 400, 2)
        length = generator.uniform(20, 90)
        width = length * generator.uniform(0.4, 1)
        for _ in range(generator.integers(1, 4)):
            dx, dy = generator.normal(0, 1.5, 2)
            score = round(float(generator.uniform(0.05, 1)), 1)
            rows.append(((cx + dx, cy + dy, length, width, generator.uniform(-89, 90)), score))
    return detect(*rows, cut=tuple(bool(flag) for flag in generator.random(len(rows)) < 0.2))


@given(seed=st.integers(0, 10_000), n=st.integers(0, 30))
def test_merge_detections_is_the_same_in_any_order(seed: int, n: int) -> None:
    detections = crowd(seed, n)
    order: NDArray[np.int64] = np.random.default_rng(seed + 1).permutation(len(detections.scores))
    assert_same(merge_detections(detections), merge_detections(take_detections(detections, order)))


def clumps(seed: int) -> Detections:
    """Pairs side by side, each with a box around both that they fill by a half or more."""
    generator = np.random.default_rng(seed)
    rows = []
    for x in range(600, 1600, 200):
        scores = generator.uniform(0.4, 1, 3).round(1)
        width = generator.uniform(40, 60)
        rows += [((x, y, 80.0, width, 0.0), float(scores[y // 300])) for y in (250, 300)]
        rows.append(((x, 275.0, 90.0, generator.uniform(110, 150), 90.0), float(scores[2])))
    return detect(*rows)


@pytest.mark.parametrize("seed", range(40))
def test_merge_detections_equals_its_rules_followed_one_by_one(seed: int) -> None:
    detections = join_detections([crowd(seed, 10 + seed), clumps(seed)], N_GROUPS)
    merged, plain = merge_detections(detections), merge_plainly(detections)
    assert 0 < len(plain) < len(detections.scores)
    assert merged.scores.tolist() == [one.score for one in plain]
    assert merged.boxes_xyxy.tolist() == [list(one.box) for one in plain]
    assert merged.ellipses.tolist() == [list(one.ellipse) for one in plain]
    assert merged.is_cut is not None and merged.is_cut.tolist() == [one.is_cut for one in plain]


def test_merge_detections_sorts_by_falling_score() -> None:
    scores = merge_detections(crowd(3, 40)).scores
    assert (np.diff(scores) <= 0).all() and len(scores) > 5


def test_merge_detections_is_done_after_one_round() -> None:
    once = merge_detections(detect(*[((40.0 * i, 50.0, 30.0, 20.0, 0.0), 0.5) for i in range(20)]))
    assert_same(merge_detections(once), once)
    assert len(once.scores) == 20


def test_join_detections_counts_missing_cut_flags_as_whole() -> None:
    one = detect(((50, 50, 20, 20, 0), 0.5))
    plain = Detections(one.boxes_xyxy, one.scores, one.group_scores, one.ellipses)
    assert join_detections([plain, one], N_GROUPS).is_cut.tolist() == [False, False]
