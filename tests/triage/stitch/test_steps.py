"""How near to a scan's usual steps a shift lies by accident."""

from __future__ import annotations

import numpy as np
import pytest

from triage.stitch.neighbours import LEAST_OVERLAP
from triage.stitch.serpentine import fit_serpentine
from triage.stitch.steps import UsualSteps

SHAPE_HW = (480, 640)
ACROSS, DOWN = np.array([512.0, 0.0]), np.array([0.0, 384.0])


def scatter(step: np.ndarray, n: int = 60) -> np.ndarray:
    return step + np.random.default_rng(5).uniform(-15, 15, (n, 2))


def count_near(far_px: float) -> float:
    """Share of all shifts of enough overlap within so many pixels of a step across, either way, counted."""
    y, x = np.mgrid[-480:481, -640:641]
    is_possible = (480 - np.abs(y)) * (640 - np.abs(x)) >= LEAST_OVERLAP * 480 * 640
    near = np.hypot(np.abs(x) - 512, y) <= far_px
    return float((near & is_possible).sum() / is_possible.sum())


def test_share_is_that_of_all_shifts_as_near() -> None:
    steps = UsualSteps(SHAPE_HW, ACROSS[None])
    for far in (20.0, 60.0):
        assert steps.rate(ACROSS + DOWN / 384 * far) == pytest.approx(count_near(far + 2), rel=0.1)
    assert steps.rate(-ACROSS) == steps.rate(ACROSS) < 1e-4


def test_step_as_usual_is_a_rare_accident_and_one_far_off_is_common() -> None:
    steps = UsualSteps(SHAPE_HW, np.concatenate([scatter(ACROSS), scatter(DOWN)]))
    assert steps.rate(DOWN - 4) < 0.01 < 0.5 < steps.rate(np.array([250.0, 190.0]))


def test_place_that_another_field_takes_does_not_count() -> None:
    steps = UsualSteps(SHAPE_HW, np.concatenate([scatter(ACROSS), scatter(DOWN)]))
    free = steps.rate(DOWN)
    assert steps.rate(DOWN, [-ACROSS, ACROSS]) == pytest.approx(free / 2, rel=0.35)
    assert steps.rate(DOWN, [DOWN + 20]) == 1


def test_without_a_believed_step_nothing_is_usual() -> None:
    assert UsualSteps(SHAPE_HW, np.zeros((0, 2))).rate(ACROSS) == 1


def test_order_says_where_two_fields_lie() -> None:
    row, along = np.divmod(np.arange(20), 5)
    column = np.where(row % 2 == 0, along, 4 - along)
    middle_xy = np.stack([column * 512.0, row * 384.0], axis=1)
    lattice = fit_serpentine(middle_xy, np.arange(20) < 12, SHAPE_HW)
    assert lattice is not None and lattice.columns == 5
    tried = [(0, 1), (0, 9), (0, 13), (3, 17)]
    # Fields 11 and 18 lie above each other; of those tried half do so or lie beside each other.
    near = lattice.rate(11, 18, middle_xy[18] - middle_xy[11] + (0, 10), tried)
    y, x = np.mgrid[-480:481, -640:641]
    possible = ((480 - np.abs(y)) * (640 - np.abs(x)) >= LEAST_OVERLAP * 480 * 640).sum()
    assert near == pytest.approx(np.pi * 100 / possible / 2, rel=0.01)
    assert lattice.rate(11, 17, middle_xy[18] - middle_xy[11], tried) > 0.3
