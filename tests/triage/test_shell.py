from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from triage.images import Picture
from triage.outline import OFFSETS, NoOutline, Outline, RimView, find_outlines
from triage.records import Ellipse
from triage.rim import ShellEdge
from triage.shell import (
    GROUP_SD_FACTORS,
    LENGTH_SD_FACTOR,
    PIXEL_SD,
    WIDTH_SD_FACTOR,
    ShellSize,
    measure_shell,
    measure_shells,
)

Open = Callable[[NDArray[np.uint8]], Picture]


def measure_points(
    points: NDArray[np.float64],
    relative_sd: tuple[float, float] = (0.01, 0.01),
    *,
    read_px: float = 1.0,
    group_shares: dict[str, float] | None = None,
) -> ShellSize:
    """What is measured where the shell is known to end at these points."""
    n = len(points)
    per_px = np.full(2, read_px)
    rim = RimView(np.zeros((4, 4), np.float32), np.array([0, 0, 2, 2, 0.0]), np.zeros(2), per_px)
    outline = Outline(points, np.zeros((n, 2)), np.full((n, len(OFFSETS)), 100.0), 1.0, 0.02, 1.0, rim)
    return measure_shell(outline, ShellEdge(points, *relative_sd), group_shares=group_shares)


def ellipse_points(length: float, width: float, *, taper: float = 0.0) -> NDArray[np.float64]:
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    x, y = np.cos(angle) * length / 2, np.sin(angle) * width / 2
    return np.stack([x + 100, y * (1 + taper * np.cos(angle)) + 50], axis=1)


def measure_ring(open_array: Open, *, thickness: int, blur_px: float = 1.0) -> ShellSize:
    """A pale object, 160 x 110 px, in a dark rim."""
    scale = 4
    big = np.full((240 * scale, 240 * scale, 3), 215, dtype=np.uint8)
    centre = (120 * scale, 120 * scale)
    cv2.ellipse(big, centre, (80 * scale, 55 * scale), 20, 0, 360, (80, 80, 80), -1)
    inner = ((80 - thickness) * scale, (55 - thickness) * scale)
    cv2.ellipse(big, centre, inner, 20, 0, 360, (190, 190, 190), -1)
    pixels = cv2.GaussianBlur(cv2.resize(big, (240, 240), interpolation=cv2.INTER_AREA), (0, 0), blur_px)
    with open_array(pixels) as picture:
        found = find_outlines(picture, [Ellipse(121, 119, 164, 108, 22)])[0]
    assert not isinstance(found, NoOutline)
    return measure_shells([found], [{}])[0]


def test_area_and_aspect_are_those_of_the_ellipse() -> None:
    size = measure_points(ellipse_points(80, 50))
    assert size.area_px == pytest.approx(np.pi * 40 * 25, rel=1e-3)
    assert size.aspect == pytest.approx(1.6, rel=1e-3)


@pytest.mark.parametrize("read_px", [1.0, 2.0])
def test_uncertainties_are_shares_as_the_rim_tells_them_and_a_part_in_pixels_read(read_px: float) -> None:
    size = measure_points(ellipse_points(80, 50), (0.01, 0.04), read_px=read_px)
    length_sd = np.hypot(0.8 * LENGTH_SD_FACTOR, PIXEL_SD * read_px)
    width_sd = np.hypot(2.0 * WIDTH_SD_FACTOR, PIXEL_SD * read_px)
    assert size.length_px_sd == pytest.approx(length_sd, rel=1e-3)
    assert size.width_px_sd == pytest.approx(width_sd, rel=1e-3)
    assert size.area_px_sd / size.area_px == pytest.approx(np.hypot(length_sd / 80, width_sd / 50), rel=1e-3)


def test_uncertainties_are_wider_by_the_share_of_groups_that_are_misjudged_more() -> None:
    factor = GROUP_SD_FACTORS["giardia_cyst"]
    plain, half, cyst = (
        measure_points(ellipse_points(80, 50), group_shares=shares)
        for shares in ({"oocyst": 1.0}, {"oocyst": 0.5, "giardia_cyst": 0.5}, {"giardia_cyst": 1.0})
    )
    assert factor > 1
    assert cyst.length_px_sd == pytest.approx(factor * plain.length_px_sd)
    assert cyst.width_px_sd == pytest.approx(factor * plain.width_px_sd)
    assert half.width_px_sd**2 == pytest.approx((plain.width_px_sd**2 + cyst.width_px_sd**2) / 2)


def test_ends_are_alike_in_an_ellipse_and_not_in_a_tapered_one() -> None:
    even, tapered = (measure_points(ellipse_points(80, 50, taper=share)) for share in (0.0, 0.2))
    assert even.ends_ratio == pytest.approx(1.0, abs=0.01)
    assert tapered.ends_ratio < 0.85


@pytest.mark.parametrize("thickness", [5, 7])
def test_thickness_of_a_drawn_rim_lies_within_its_uncertainty(open_array: Open, thickness: int) -> None:
    size = measure_ring(open_array, thickness=thickness)
    assert size.shell_px is not None and size.shell_px_sd is not None
    assert abs(size.shell_px - thickness) < 2 * size.shell_px_sd
    assert size.shell_px_sd < 0.4 * thickness


def test_no_thickness_where_the_inside_is_as_dark_as_the_rim(open_array: Open) -> None:
    size = measure_ring(open_array, thickness=50)
    assert size.shell_px is None and size.shell_px_sd is None


def test_uncertainty_grows_with_blur(open_array: Open) -> None:
    # 3 px of blur mean little to an object of 160 x 110 px: the network is as sure as at 0.8 px.
    sharp, soft = (measure_ring(open_array, thickness=6, blur_px=blur) for blur in (0.8, 6.0))
    assert soft.width_px_sd > sharp.width_px_sd and soft.length_px_sd > sharp.length_px_sd
