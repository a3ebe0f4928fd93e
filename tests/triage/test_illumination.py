from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from triage.illumination import Light, measure_contrast, measure_light, remark_on_light

SIDE = 160


def field(level: float = 180.0, *, darkest: float = 1.0) -> NDArray[np.float64]:
    """Fluid with a grain and some dark objects; the light falls from left to right to `darkest` of it."""
    grey = np.full((SIDE, SIDE), level) + np.random.default_rng(3).normal(0, 2, (SIDE, SIDE))
    grey[::20] -= 70
    return np.clip(grey * np.linspace(1, darkest, SIDE), 0, 255)


def test_even_light_has_nothing_to_remark() -> None:
    light = measure_light(field())
    assert (light.black_fraction, light.burnt_out_fraction) == (0, 0)
    assert light.evenness > 0.95
    assert remark_on_light(light) == ()


def test_evenness_follows_the_fall_of_the_light() -> None:
    measured = [measure_light(field(darkest=darkest)).evenness for darkest in (1, 0.8, 0.6, 0.4, 0.3)]
    assert measured == sorted(measured, reverse=True)
    # Middles of the outermost of eight parts: 1 - 0.6/16 of the way from 1 to 0.4, and 0.6/16.
    assert measured[3] == pytest.approx((0.4 + 0.6 / 16) / (1 - 0.6 / 16), abs=0.03)


@pytest.mark.parametrize(("darkest", "is_remarked"), [(0.6, False), (0.35, True)])
def test_uneven_light_is_remarked_below_a_half(darkest: float, is_remarked: bool) -> None:
    remarks = remark_on_light(measure_light(field(darkest=darkest)))
    assert ("uneven" in [one.code for one in remarks]) == is_remarked


def test_objects_that_fill_a_part_make_no_uneven_light() -> None:
    grey = field(darkest=0.9)
    grey[10:40, 12:50] = 50
    grey[90:135, 100:150] = 60
    assert measure_light(grey).evenness == pytest.approx(0.9, abs=0.05)


def test_burnt_out_share_grows_with_the_exposure() -> None:
    measured = [measure_light(field(level)).burnt_out_fraction for level in (180, 240, 252, 256)]
    assert measured == sorted(measured) and measured[0] == 0 and measured[-1] > 0.5
    assert "burnt_out" in [one.code for one in remark_on_light(measure_light(field(256)))]


def test_dark_surround_of_an_eyepiece_is_black_and_not_uneven() -> None:
    grey = field()
    rows, columns = np.mgrid[:SIDE, :SIDE] - SIDE / 2
    grey[np.hypot(rows, columns) > SIDE / 2] = 2
    light = measure_light(grey)
    assert light.black_fraction == pytest.approx(1 - np.pi / 4, abs=0.01)
    assert light.evenness > 0.9
    (remark,) = remark_on_light(light)
    assert remark.text == "22 % of the area is black and shows nothing."


def test_black_picture_is_told_once() -> None:
    (remark,) = remark_on_light(measure_light(np.zeros((20, 20))))
    assert remark.text == "The whole picture is black and shows nothing."


def test_one_grey_pixel_is_measured() -> None:
    assert measure_light(np.full((1, 1), 128.0)) == Light(0.0, 0.0, 0.0, 1.0)


def test_contrast_leaves_out_a_hundredth_at_each_end() -> None:
    assert measure_contrast(np.arange(1001.0)) == 980
