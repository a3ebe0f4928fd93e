"""How much of the coverslip a drawn picture shows, in mm² and as shares."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from triage.adequacy import assess_adequacy
from triage.images import Picture

Open = Callable[[np.ndarray], Picture]


def draw_dots(shape_hw: tuple[int, int], seed: int = 1) -> np.ndarray:
    """Sharp dots everywhere on a bright ground."""
    rng = np.random.default_rng(seed)
    picture = np.full(shape_hw, 205, np.uint8)
    for x, y in rng.integers(0, shape_hw[::-1], (shape_hw[0] * shape_hw[1] // 800, 2)):
        cv2.circle(picture, (int(x), int(y)), int(rng.integers(2, 5)), 90, -1)
    return picture


def test_areas_of_a_picture_half_out_of_focus(open_array: Open) -> None:
    picture = draw_dots((1024, 2048))
    picture[:, 1024:] = cv2.GaussianBlur(picture[:, 1024:], (0, 0), 6)
    with open_array(cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB)) as opened:
        area = assess_adequacy(opened, 0.5, 0.5).area
    assert area is not None and area["outline"] is None
    assert area["imaged"] == {
        "mm2": pytest.approx(1024 * 2048 * 0.25e-6, rel=0.01),
        "share_of_coverslip": None,
    }
    # A part of the picture lies across the border of the two halves.
    assert area["in_focus"]["mm2"] == pytest.approx(0.262, rel=0.3)
    assert sum(one["bbox"][2] * one["bbox"][3] for one in area["parts"]) == pytest.approx(
        1024 * 2048, rel=0.01
    )
    assert area["gaps"] == [] and "less than 4 mm" in area["outline_note"]


def test_black_places_are_gaps_with_names(open_array: Open) -> None:
    picture = draw_dots((900, 1200))
    picture[:250, 900:] = 0
    with open_array(cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB)) as opened:
        area = assess_adequacy(opened, 0.5, 0.5).area
    assert area is not None
    (gap,) = area["gaps"]
    assert gap["name"] == "upper third, right third"
    assert gap["mm2"] == pytest.approx(250 * 300 * 0.25e-6, rel=0.03)
    assert area["imaged"]["mm2"] == pytest.approx((900 * 1200 - 250 * 300) * 0.25e-6, rel=0.01)


def test_only_what_lies_under_the_coverslip_counts(open_array: Open) -> None:
    """A coverslip of 18 mm at 20 µm a pixel, 900 px, of which the whole outline is in the picture."""
    picture = np.where(draw_dots((1000, 1200)) < 200, 150, 205).astype(np.uint8)
    under = np.zeros(picture.shape, bool)
    under[50:950, 150:1050] = True
    picture[~under] = 212
    cv2.rectangle(picture, (150, 50), (1050, 950), 130, 3)
    with open_array(cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB)) as opened:
        area = assess_adequacy(opened, 20.0, 20.0).area
        unknown = assess_adequacy(opened, None, None).area
    assert area is not None and unknown is not None
    assert area["outline"]["is_whole"] and area["outline"]["edges"] == 4
    assert area["outline"]["area_mm2"] == pytest.approx(18**2, rel=0.02)
    assert area["imaged"]["mm2"] == pytest.approx(18**2, rel=0.02)
    assert area["imaged"]["share_of_coverslip"] == pytest.approx(1.0, abs=0.01)
    assert unknown["outline"] is None and unknown["imaged"]["mm2"] is None
    assert unknown["outline_note"].startswith("Without a scale")
