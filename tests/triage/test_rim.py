from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from triage.images import Picture
from triage.outline import NoOutline, Outline, RimView, find_outlines, measure_moments
from triage.records import Ellipse
from triage.rim import find_shell_edge
from triage.rim_frame import N_RAYS, RIM_RHO, place_in_frame, unroll_points

Draw = Callable[..., NDArray[np.uint8]]
Open = Callable[[NDArray[np.uint8]], Picture]
Floats = NDArray[np.float64]

TRUTH = (100.4, 99.7, 90.0, 60.0, 25.0)


def find(picture: Picture, guess: Ellipse) -> Outline:
    found = find_outlines(picture, [guess])[0]
    assert not isinstance(found, NoOutline)
    return found


def sides_of(points: Floats) -> Floats:
    sides: Floats = measure_moments(points[None])[0, 2:4]
    return sides


def draw_ring(thickness: float, blur_px: float) -> NDArray[np.uint8]:
    """A pale disc, 90 x 60 px, in a dark rim."""
    scale = 8
    big = np.full((200 * scale, 200 * scale), 215, dtype=np.uint8)
    for inset, grey in ((0.0, 90), (thickness, 195)):
        box = (
            (TRUTH[0] * scale - 0.5, TRUTH[1] * scale - 0.5),
            ((TRUTH[2] - 2 * inset) * scale, (TRUTH[3] - 2 * inset) * scale),
            TRUTH[4],
        )
        cv2.ellipse(big, box, grey, -1)
    small = cv2.GaussianBlur(cv2.resize(big, (200, 200), interpolation=cv2.INTER_AREA), (0, 0), blur_px)
    return np.repeat(small[..., None], 3, axis=2)


# The standard deviation of the blur stays under half the rim: a rim that isn't resolved grows with its blur
# (4 px and 2.4 px: 0.9 % in length and 2.3 % in width).
@pytest.mark.parametrize(
    ("thickness", "blur_px"),
    [(4.0, 0.8), (4.0, 1.6), (6.0, 2.4), (8.0, 0.8), (8.0, 2.4), (30.0, 0.8), (30.0, 2.4)],
)
def test_a_plain_ring_ends_where_it_was_drawn(open_array: Open, thickness: float, blur_px: float) -> None:
    with open_array(draw_ring(thickness, blur_px)) as picture:
        edge = find_shell_edge(find(picture, Ellipse(102, 98, 95, 57, 21)))
    np.testing.assert_allclose(sides_of(edge.points), (90, 60), rtol=0.02)
    assert 0 < edge.length_relative_sd < 0.05 and 0 < edge.width_relative_sd < 0.05


def test_a_bright_disc_is_read_like_a_dark_one(draw: Draw, open_array: Open) -> None:
    with open_array(255 - draw((200, 200), [TRUTH])) as picture:
        edge = find_shell_edge(find(picture, Ellipse(*TRUTH)))
    np.testing.assert_allclose(sides_of(edge.points), (90, 60), rtol=0.02)


def test_points_come_back_in_pixels_of_the_picture(draw: Draw, open_array: Open) -> None:
    # So large an object is read in a halved copy.
    with open_array(draw((700, 700), [(350, 360, 560, 440, 20)])) as picture:
        edge = find_shell_edge(find(picture, Ellipse(345, 364, 540, 455, 24)))
    np.testing.assert_allclose(sides_of(edge.points), (560, 440), rtol=0.01)
    np.testing.assert_allclose(edge.points.mean(axis=0), (350, 360), atol=2)


def test_the_less_shows_the_less_sure_it_is(draw: Draw, open_array: Open) -> None:
    noise = np.random.default_rng(5).normal(0, 14, (200, 200, 1))
    sharp = draw((200, 200), [TRUTH])
    soft = np.clip(draw((200, 200), [TRUTH], blur_px=5.0) + noise, 0, 255).astype(np.uint8)
    sds = []
    for pixels in (sharp, soft):
        with open_array(pixels) as picture:
            edge = find_shell_edge(find(picture, Ellipse(*TRUTH)))
        sds.append((edge.length_relative_sd, edge.width_relative_sd))
    assert sds[1][0] > sds[0][0] and sds[1][1] > sds[0][1]


@pytest.mark.parametrize("thickness", [4.0, 8.0, 30.0])
def test_a_blurred_rim_is_less_sure_than_a_sharp_one(open_array: Open, thickness: float) -> None:
    sds = []
    for blur_px in (0.8, 4.0):
        with open_array(draw_ring(thickness, blur_px)) as picture:
            edge = find_shell_edge(find(picture, Ellipse(102, 98, 95, 57, 21)))
        sds.append(np.array([edge.length_relative_sd, edge.width_relative_sd]))
    assert (sds[1] > 1.3 * sds[0]).all()


def test_a_rim_is_found_from_a_frame_far_outside_it(draw: Draw, open_array: Open) -> None:
    with open_array(draw((200, 200), [TRUTH], blur_px=1.5)) as picture:
        outline = find(picture, Ellipse(*TRUTH))
        rim = outline.rim
        far = replace(rim, ellipse=rim.ellipse * [1, 1, 1.25, 1.25, 1])
        edge = find_shell_edge(replace(outline, rim=far))
    np.testing.assert_allclose(sides_of(edge.points), (90, 60), rtol=0.015)


def test_nothing_to_see_leads_to_no_edge_out_of_view() -> None:
    rng = np.random.default_rng(0)
    for grey in (np.zeros((100, 100)), rng.integers(0, 256, (100, 100))):
        rim = RimView(grey.astype(np.float32), np.array([50, 50, 40, 30, 0.0]), np.zeros(2), np.ones(2))
        blank = Outline(np.zeros((N_RAYS, 2)), np.zeros((N_RAYS, 2)), np.zeros((N_RAYS, 33)), 1, 0, 1, rim)
        edge = find_shell_edge(blank)
        reach = np.hypot((edge.points[:, 0] - 50) / 20, (edge.points[:, 1] - 50) / 15)
        assert reach.max() <= RIM_RHO[-1] ** 3
        assert np.isfinite([edge.length_relative_sd, edge.width_relative_sd]).all()


def test_frame_places_radii_on_an_ellipse() -> None:
    ellipse = np.array([10.0, 20.0, 8.0, 4.0, np.pi / 2])
    points = place_in_frame(ellipse, np.ones(N_RAYS))
    # The first ray lies along the long axis, which points down here.
    np.testing.assert_allclose(points[0], (10, 24), atol=1e-9)
    np.testing.assert_allclose(points[N_RAYS // 4], (8, 20), atol=1e-9)
    x, y = unroll_points(ellipse)
    assert x.shape == y.shape == (N_RAYS, len(RIM_RHO))
    np.testing.assert_allclose(y[0], 20 + 4 * RIM_RHO)
