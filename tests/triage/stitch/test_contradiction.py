"""Two fields that share a few places but nothing around them are no pair."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from triage.stitch.contradiction import compare_shared
from triage.stitch.overlap import match_overlap

SIDE = 240


def draw_slide(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    slide = np.full((SIDE, 2 * SIDE), 200.0, np.float32)
    for _ in range(90):
        x, y = rng.integers(0, 2 * SIDE), rng.integers(0, SIDE)
        cv2.circle(slide, (int(x), int(y)), int(rng.integers(3, 9)), float(rng.uniform(60, 150)), -1)
    return cv2.GaussianBlur(slide, (0, 0), 1.2)


def cut_two(shift: int) -> tuple[np.ndarray, np.ndarray]:
    slide = draw_slide(4)
    return slide[:, :SIDE].copy(), slide[:, shift : shift + SIDE].copy()


@pytest.mark.parametrize("grain", [0.0, 0.5])
def test_what_both_show_agrees(grain: float) -> None:
    ours, theirs = cut_two(120)
    xy = np.array([(60.0, 10.0), (90.0, -40.0), (40.0, 80.0)])
    agreement = compare_shared(ours, theirs, xy, xy - (120, 0), has_turn=False, grain=grain)
    assert agreement.lively > 8 and agreement.contradicting == 0 and not agreement.is_contradicted


def test_one_thing_alike_among_others_is_contradicted() -> None:
    ours, _ = cut_two(120)
    theirs = draw_slide(77)[:, :SIDE].copy()
    for field, x in ((ours, 180), (theirs, 60)):
        cv2.circle(field, (x, 120), 45, 120.0, 4)
    xy = np.array([(105.0, 0.0), (60.0, 45.0), (60.0, -45.0)])
    assert compare_shared(ours, theirs, xy, xy - (120, 0), has_turn=False, grain=0.0).is_contradicted
    assert match_overlap(0, 1, ours, theirs, (120.0, 0.0), reach_px=12, tries=2) is None


def test_true_neighbours_are_a_pair() -> None:
    ours, theirs = cut_two(120)
    pair = match_overlap(0, 1, ours, theirs, (118.0, 2.0), reach_px=12, tries=2)
    assert pair is not None and (pair.first_xy - pair.second_xy).mean(axis=0) == pytest.approx(
        (120, 0), abs=0.1
    )
