"""Coverslips of known outline are drawn and their edge is found again."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from triage.coverslip_edge import find_outline

SHAPE_HW = (700, 900)
MM_PER_PX = 22 / 560


def draw_coverslip(
    kind: str, seed: int, *, turn_deg: float = 4.0, step: float = 5.0, line: float = 60.0
) -> np.ndarray:
    """A coverslip of 560 px across with a dark edge, objects under it, and uneven light."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE_HW[0], : SHAPE_HW[1]].astype(np.float64)
    turn, from_x, from_y = np.deg2rad(turn_deg), x - 460, y - 345
    u, v = from_x * np.cos(turn) + from_y * np.sin(turn), from_y * np.cos(turn) - from_x * np.sin(turn)
    beyond = {
        "square": np.maximum(abs(u), abs(v)) - 280,
        "round": np.hypot(u, v) - 280,
        "right edge": u - 280,
        "none": np.full_like(u, -99.0),
    }[kind]
    objects = np.zeros(SHAPE_HW, np.float32)
    for at_x, at_y in rng.integers(0, (SHAPE_HW[1], SHAPE_HW[0]), (300, 2)):
        axes = (int(rng.integers(1, 7)), int(rng.integers(1, 7)))
        cv2.ellipse(objects, (int(at_x), int(at_y)), axes, float(rng.uniform(0, 180)), 0, 360, 70.0, -1)
    picture = np.where(beyond > 0, 200 + step, 200.0) - np.where(beyond < -8, objects, 0)
    picture -= line * np.exp(-0.5 * (beyond / 1.5) ** 2) - line / 2 * np.exp(-0.5 * ((beyond - 3) / 1.5) ** 2)
    picture *= 1 - 0.1 * ((x / 450 - 1) ** 2 + (y / 350 - 1) ** 2)
    return (picture + rng.normal(0, 2, SHAPE_HW)).clip(0, 255).round().astype(np.uint8)


@pytest.mark.parametrize(
    ("kind", "shape", "area_px", "edges"),
    [("square", "straight", 560.0**2, 4), ("round", "round", np.pi * 280**2, 1)],
)
def test_whole_outline_is_found_within_two_percent(kind: str, shape: str, area_px: float, edges: int) -> None:
    outline = find_outline(draw_coverslip(kind, 1), MM_PER_PX)
    assert outline is not None and outline.is_whole
    assert (outline.shape, outline.n_edges) == (shape, edges)
    assert outline.area_px == pytest.approx(area_px, rel=0.02)


def test_one_edge_parts_what_lies_under_the_coverslip() -> None:
    outline = find_outline(draw_coverslip("right edge", 2, turn_deg=0, step=-5), MM_PER_PX)
    assert outline is not None and (outline.is_whole, outline.n_edges) == (False, 1)
    assert outline.area_px == pytest.approx(740 * SHAPE_HW[0], rel=0.02)


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("none", {}),
        # A fibre: the background is the same on both its sides.
        ("right edge", {"step": 0.0}),
        # A seam of a mosaic: another background, but no line.
        ("right edge", {"line": 0.0}),
    ],
)
def test_what_is_no_edge_gives_no_outline(kind: str, changes: dict[str, float]) -> None:
    assert find_outline(draw_coverslip(kind, 3, **changes), MM_PER_PX) is None


def test_ring_too_small_for_a_coverslip_is_none() -> None:
    assert find_outline(draw_coverslip("round", 4), 0.5 / 1000) is None


@pytest.mark.parametrize("shape_hw", [(1, 1), (40, 900), (300, 300)])
def test_flat_picture_gives_no_outline(shape_hw: tuple[int, int]) -> None:
    assert find_outline(np.full(shape_hw, 128, np.uint8), MM_PER_PX) is None
