from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from triage.images import Picture
from triage.outline import OFFSETS, NoOutline, Outline, find_outlines
from triage.records import Ellipse
from triage.rim import find_shell_edge, read_rim
from triage.shell import measure_shell

Open = Callable[[NDArray[np.uint8]], Picture]
Floats = NDArray[np.float64]

RADIUS, GROUND = 30.0, 200.0


def line(at: float, height: float, sd: float = 1.2) -> Floats:
    """Brightness that a blurred line adds along the normals."""
    return height * np.exp(-0.5 * ((OFFSETS - at) / sd) ** 2)


def outline_with(profile: Floats, *, unit_px: float = 1.0, sign: float = 1.0) -> Outline:
    """A circle with the same profile on every ray."""
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    normals = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    profiles = np.tile(GROUND + profile, (72, 1))
    return Outline(100 + RADIUS * normals, normals, profiles, unit_px, 0.02, sign)


def stand_off(profile: Floats) -> float:
    return find_shell_edge(outline_with(profile)).stand_off_px


def test_shell_ends_at_the_darkest_of_a_thin_line() -> None:
    edge = find_shell_edge(outline_with(line(-1.5, -80)))
    assert edge.stand_off_px == pytest.approx(1.5)
    radii = np.linalg.norm(edge.points - 100, axis=1)
    np.testing.assert_allclose(radii, RADIUS - edge.stand_off_px)


def test_a_bright_line_inside_puts_the_shell_further_in_and_one_outside_leaves_it() -> None:
    dark = line(-1.5, -80)
    alone, inside, outside = (stand_off(dark + more) for more in (0, line(-5, 20), line(2, 60)))
    assert inside > 1.5 * alone
    assert outside < 0.1 * alone


def test_a_broad_rim_ends_at_the_outline() -> None:
    broad = np.where(OFFSETS < 0, -80.0, 0.0)
    edge = find_shell_edge(outline_with(broad))
    assert edge.stand_off_px == 0
    np.testing.assert_array_equal(edge.points, outline_with(broad).points)


def test_a_bright_rim_ends_at_the_outline() -> None:
    assert find_shell_edge(outline_with(line(-1.5, 80), sign=-1.0)).stand_off_px == 0


def test_lengths_are_in_original_pixels() -> None:
    one, twice = (find_shell_edge(outline_with(line(-1.5, -80), unit_px=unit)) for unit in (1.0, 2.0))
    assert twice.stand_off_px == pytest.approx(2 * one.stand_off_px)
    assert twice.doubt_px == pytest.approx(2 * one.doubt_px)


def test_the_shell_never_ends_deep_inside() -> None:
    far = find_shell_edge(outline_with(line(-1.5, -80) + line(-5, 60), unit_px=6.0))
    assert far.stand_off_px == pytest.approx(0.2 * RADIUS, rel=0.01)


def test_half_height_lies_between_the_places_it_is_read_at() -> None:
    rim = read_rim(outline_with(line(-1.5, -80)))
    # Half of a Gaussian's height lies 1.1774 deviations from its middle.
    assert rim.inner_half == pytest.approx(1.1774 * 1.2, abs=0.05)
    assert read_rim(outline_with(np.zeros(len(OFFSETS)))).inner_half == np.inf


@pytest.mark.parametrize("blur_px", [0.6, 0.9])
def test_a_thin_ring_is_measured_along_its_middle(open_array: Open, blur_px: float) -> None:
    scale = 8
    big = np.full((200 * scale, 200 * scale, 3), 215, dtype=np.uint8)
    box = ((100 * scale - 0.5, 100 * scale - 0.5), (60 * scale, 44 * scale), 20.0)
    cv2.ellipse(big, box, (60, 60, 60), scale, cv2.LINE_AA)
    pixels = cv2.GaussianBlur(cv2.resize(big, (200, 200), interpolation=cv2.INTER_AREA), (0, 0), blur_px)
    with open_array(pixels) as picture:
        found = find_outlines(picture, [Ellipse(101, 99, 63, 43, 18)])[0]
    assert not isinstance(found, NoOutline)
    size = measure_shell(found)
    assert size.ellipse.length_px == pytest.approx(60, abs=0.8)
    assert size.ellipse.width_px == pytest.approx(44, abs=0.8)
    assert np.ptp(found.points @ [np.cos(np.deg2rad(20)), np.sin(np.deg2rad(20))]) > 61
