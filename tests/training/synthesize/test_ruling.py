from __future__ import annotations

import numpy as np
import pytest

from training.synthesize.ruling import (
    DIVISION_UM,
    Ruling,
    count_marks_in_view,
    draw_any_ruling,
    draw_ruling,
    place_on_ruling,
)

CLEAN = Ruling(um_per_px=0.5, noise=0.0, blur_px=0.3, has_numbers=False)


def test_draw_ruling_puts_a_dark_mark_at_each_division() -> None:
    row = draw_ruling(CLEAN, 0)[300, :, 1].astype(float)
    # The picture's centre is at 500 µm, a mark; the next ones are 10 / 0.5 = 20 px away.
    marks, gaps = row[[400, 420, 380, 0, 780]], row[[410, 390, 10, 770]]
    assert marks.max() < 120 < 180 < gaps.min()


def test_draw_ruling_gives_the_same_pixels_for_the_same_seed() -> None:
    ruling = draw_any_ruling(0, 0)
    assert np.array_equal(draw_ruling(ruling, 5), draw_ruling(ruling, 5))
    assert not np.array_equal(draw_ruling(ruling, 5), draw_ruling(ruling, 6))


def test_draw_ruling_stops_at_both_ends() -> None:
    short = Ruling(um_per_px=2.0, noise=0.0, blur_px=0.3, has_numbers=False)
    pixels = draw_ruling(short, 0)[..., 1]
    columns = np.flatnonzero(pixels.min(axis=0) < 160)
    # 1 mm at 2 µm per pixel: 250 px to both sides of the centre column.
    assert columns.min() == pytest.approx(150, abs=2)
    assert columns.max() == pytest.approx(650, abs=2)


@pytest.mark.parametrize("keystone_xy", [(0.0, 0.0), (2e-5, -3e-5)])
def test_place_on_ruling_has_the_stated_scale_at_the_centre(keystone_xy: tuple[float, float]) -> None:
    ruling = Ruling(um_per_px=0.8, angle_deg=30.0, keystone_xy=keystone_xy)
    step = 1e-3
    x = 400 + step * np.array([-1.0, 1.0, 0.0, 0.0])
    y = 300 + step * np.array([0.0, 0.0, -1.0, 1.0])
    u_um, _ = place_on_ruling(ruling, x, y)
    slope = np.array([u_um[1] - u_um[0], u_um[3] - u_um[2]]) / (2 * step)
    assert np.hypot(*slope) == pytest.approx(0.8, rel=1e-6)
    assert np.degrees(np.arctan2(slope[1], slope[0])) == pytest.approx(30.0, abs=1e-6)


def test_place_on_ruling_changes_scale_towards_one_side_when_tilted() -> None:
    tilted = Ruling(um_per_px=0.8, keystone_xy=(3e-5, 0.0))
    u_um, _ = place_on_ruling(tilted, np.array([0.0, 10, 790, 800]), np.full(4, 300.0))
    left, right = u_um[1] - u_um[0], u_um[3] - u_um[2]
    # The local scale goes with 1 / depth²; depth is 0.988 and 1.012 at the two sides.
    assert left / right == pytest.approx((1.01185 / 0.98815) ** 2, rel=1e-3)


def test_count_marks_in_view_counts_what_the_frame_holds() -> None:
    # 800 px * 0.5 µm = 400 µm around a mark: 200 µm to each side hold 20 marks each, the last at the rim.
    assert count_marks_in_view(CLEAN) == pytest.approx(41, abs=1)
    assert count_marks_in_view(Ruling(um_per_px=0.5, centre_uv_um=(500.0, 2000.0))) == 0


def test_draw_any_ruling_keeps_to_its_ranges() -> None:
    rulings = [draw_any_ruling(3, index) for index in range(40)]
    scales = [one.um_per_px for one in rulings]
    assert 0.2 <= min(scales) < 0.4 and 1.5 < max(scales) <= 3.0
    assert min(count_marks_in_view(one) for one in rulings) >= 8
    assert {one.is_centred for one in rulings} == {True, False}
    assert max(one.blur_px * one.um_per_px / DIVISION_UM for one in rulings) <= 0.23
