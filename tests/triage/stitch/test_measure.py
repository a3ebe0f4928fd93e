"""Two fields measured against each other by all that both show, and judged by the rest of their overlap."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from grainy_fields import GRAIN, H, W, draw_texture, take

from triage.stitch.elsewhere import rate_elsewhere
from triage.stitch.measure import measure_shared
from triage.stitch.records import Pair
from triage.stitch.stiff import fit_stiff, rotate

MIDDLE_XY = np.array([(200.0, 200.0), (410.3, 208.6)])


def draw_slide(seed: int, contrast: float) -> np.ndarray:
    """Faint texture of a few pixels all over."""
    return draw_texture(seed, (400, 640), sigma_px=2.5, contrast=contrast)


def pair_up(turn_deg: float) -> Pair:
    """Three rough places close together, as a search by whole pixels finds them."""
    seen = np.array([(300.0, 190.0), (318.0, 230.0), (306.0, 215.0)])
    theirs = np.rint((seen - MIDDLE_XY[1]) @ rotate(np.deg2rad(turn_deg)))
    return Pair(0, 1, seen - MIDDLE_XY[0], theirs, np.full(3, 0.9), 1e-4)


@pytest.mark.parametrize("turn_deg", [0.0, 1.3])
def test_fields_are_measured_to_a_part_of_a_pixel_and_of_their_turn(turn_deg: float) -> None:
    slide = draw_slide(1, contrast=6.0)
    ours, theirs = take(slide, MIDDLE_XY[0], 0, 2), take(slide, MIDDLE_XY[1], turn_deg, 3)
    measured = measure_shared(pair_up(turn_deg), ours, theirs, GRAIN)
    assert measured is not None
    laid = fit_stiff(measured.second_xy, measured.first_xy, has_turn=True)
    assert np.rad2deg(np.arctan2(laid[1, 0], laid[0, 0])) == pytest.approx(turn_deg, abs=0.02)
    assert laid[:, 2] == pytest.approx(MIDDLE_XY[1] - MIDDLE_XY[0], abs=0.1)
    off = measured.first_xy + MIDDLE_XY[0] - MIDDLE_XY[1]
    off -= measured.second_xy @ rotate(np.deg2rad(turn_deg)).T
    deviations = np.sqrt(np.einsum("ki,kij,kj->k", off, measured.information, off))
    assert 0.2 < np.median(deviations) < 1.2


def test_fields_that_share_nothing_are_not_measured() -> None:
    ours = take(draw_slide(1, contrast=6.0), MIDDLE_XY[0], 0, 2)
    theirs = take(draw_slide(4, contrast=6.0), MIDDLE_XY[1], 0, 3)
    assert measure_shared(pair_up(0), ours, theirs, GRAIN) is None


def test_round_thing_tells_little_of_the_turn() -> None:
    ring = cv2.circle(np.zeros((400, 640), np.float32), (302, 212), 24, 120, 4, cv2.LINE_AA)
    slide = 200 - cv2.GaussianBlur(ring, (0, 0), 1.2)
    ours, theirs = take(slide, MIDDLE_XY[0], 0, 2), take(slide, MIDDLE_XY[1], 0, 3)
    measured = measure_shared(pair_up(0), ours, theirs, GRAIN)
    assert measured is not None
    (x, y), one, zero = measured.first_xy.T, np.ones(len(measured.first_xy)), np.zeros(len(measured.first_xy))
    moves = np.stack([np.stack([one, zero, -y], axis=-1), np.stack([zero, one, x], axis=-1)], axis=1)
    information = np.einsum("kia,kij,kjb->ab", moves, measured.information, moves)
    # Each arc taken as moved without a turn would tell it to 0.03 degrees; it is off by half a degree.
    assert np.rad2deg(np.sqrt(np.linalg.inv(information)[2, 2])) > 0.25


def test_many_cells_of_one_overlap_err_alike() -> None:
    slide = draw_slide(1, contrast=60.0)
    ours, theirs = take(slide, MIDDLE_XY[0], 0, 2), take(slide, MIDDLE_XY[1], 0, 3)
    measured = measure_shared(pair_up(0), ours, theirs, GRAIN)
    assert measured is not None and len(measured.first_xy) > 15
    sd_px = np.sqrt(np.linalg.inv(measured.information.sum(axis=0)).diagonal())
    assert ((sd_px > 0.029) & (sd_px < 0.04)).all()


def test_faint_texture_bears_a_lone_tie_out_and_other_texture_does_not() -> None:
    things = np.zeros((H, W), dtype=bool)
    ratings = []
    for seed in (1, *range(10, 18)):
        # Far below what patches are told by; the same spot on both would make them a pair.
        ours = take(draw_slide(1, contrast=0.4), MIDDLE_XY[0], 0, 2)
        theirs = take(draw_slide(seed, contrast=0.4), MIDDLE_XY[1], 0, 3)
        ratings.append(rate_elsewhere(pair_up(0), ours, theirs, things))
    assert ratings[0] > 4
    assert np.abs(ratings[1:]).max() < 3


def test_what_made_a_pair_is_no_evidence_of_the_rest() -> None:
    slide = draw_slide(1, contrast=6.0)
    ours, theirs = take(slide, MIDDLE_XY[0], 0, 2), take(slide, MIDDLE_XY[1], 0, 3)
    assert rate_elsewhere(pair_up(0), ours, theirs, np.zeros((H, W), dtype=bool)) > 10
    assert rate_elsewhere(pair_up(0), ours, theirs, np.ones((H, W), dtype=bool)) == 0
