from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter, gaussian_gradient_magnitude
from scipy.special import ndtr
from scipy.stats import norm

from triage.images import Limits, Picture, open_picture, to_grey
from triage.sharpness import (
    LEAST_SHARPNESS,
    Focus,
    Sharpness,
    blur_px,
    find_shown,
    measure_focus,
    measure_sharpness,
)

Draw = Callable[..., NDArray[np.uint8]]
Open = Callable[[NDArray[np.uint8]], Picture]
EGGS = [(120.0 + 110 * i, 100.0 + 90 * j, 80.0, 45.0, 20.0 * i) for i in range(4) for j in range(4)]


def edge(blurred_by_px: float) -> NDArray[np.float64]:
    """A straight edge, blurred exactly: the normal distribution over its columns."""
    profile = 60 + 120 * ndtr((np.arange(160) - 80) / blurred_by_px)
    return np.tile(profile, (160, 1))


def sharpness_of(grey: NDArray[np.float64]) -> float:
    sharpness = measure_sharpness(grey)
    assert sharpness is not None
    return sharpness.value


@pytest.mark.parametrize("blur", [0.7, 1.0, 1.5, 2.0, 3.0, 5.0])
def test_blur_of_a_straight_edge_is_read_back_from_its_sharpness(blur: float) -> None:
    # The slope of a blurred step is a normal density: its top by SciPy.
    steepest = [sigma * norm.pdf(0, scale=math.hypot(blur, sigma)) for sigma in (1, 12)]
    assert blur_px(steepest[0] / steepest[1]) == pytest.approx(blur)


@pytest.mark.parametrize("blur", [1.0, 2.0, 3.0])
def test_blur_of_a_drawn_edge_is_measured(blur: float) -> None:
    # Pixels and the share of them that counts as the strongest make it a little less.
    assert blur_px(sharpness_of(edge(blur))) == pytest.approx(blur, rel=0.15)


def test_sharpness_of_an_edge_falls_with_its_blur_and_not_with_its_contrast() -> None:
    measured = [sharpness_of(edge(blur)) for blur in (0.5, 1, 2, 3, 4, 6)]
    assert measured == sorted(measured, reverse=True)
    assert sharpness_of(0.2 * edge(2)) == pytest.approx(sharpness_of(edge(2)))


@pytest.mark.parametrize("blur", [3.0, 8.0])
def test_coarse_slopes_are_those_of_every_pixel(blur: float) -> None:
    """SciPy's Gaussian gradient, over all pixels of some patches of any form."""
    rough = gaussian_filter(np.random.default_rng(2).normal(0, 1, (512, 400)), 12)
    grey = gaussian_filter(np.where(rough > np.percentile(rough, 90), 60.0, 180.0), blur)
    slopes = [sigma * gaussian_gradient_magnitude(grey, sigma) for sigma in (1.0, 4.0, 12.0)]
    fine, *coarse = (float(np.percentile(each, 99.5)) for each in slopes)
    grain = float(np.median(slopes[0])) * math.sqrt(math.log(0.005) / math.log(0.5))
    expected = math.sqrt(max(fine**2 - grain**2, 0)) / max(coarse)
    sharpness = measure_sharpness(grey)
    assert sharpness is not None
    assert sharpness.value == pytest.approx(expected, rel=0.02, abs=0.02)
    assert sharpness.at_most == pytest.approx(max(fine, 1.1 * grain) / max(coarse), rel=0.03)


def test_grain_makes_no_blurred_edge_sharp() -> None:
    grain = np.random.default_rng(5).normal(0, 1, edge(4).shape)
    assert sharpness_of(edge(4) + grain) == pytest.approx(sharpness_of(edge(4)), abs=0.05)
    assert sharpness_of(edge(4) + grain) < LEAST_SHARPNESS


def test_grain_alone_tells_nothing_of_the_focus() -> None:
    assert measure_sharpness(np.random.default_rng(5).normal(128, 2, (300, 300))) is None


@pytest.mark.parametrize("level", [0.0, 128.0])
def test_without_an_edge_there_is_no_sharpness(level: float) -> None:
    assert measure_sharpness(np.full((50, 50), level)) is None


@pytest.mark.parametrize(("sharpness", "blur"), [(1.0, 0.0), (2.8, 0.0), (1 / 12, math.inf), (0.0, math.inf)])
def test_blur_at_both_ends(sharpness: float, blur: float) -> None:
    assert blur_px(sharpness) == blur


@given(st.floats(0.09, 0.99), st.floats(0.09, 0.99))
def test_sharper_is_never_more_blurred(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert blur_px(high) <= blur_px(low)


def test_threshold_is_where_the_smallest_spirurid_egg_is_twelve_blurs_wide() -> None:
    # 11 µm: Spirocerca lupi, 30-38 x 11-15 µm (table of sizes).
    blur_um = Focus(Sharpness(LEAST_SHARPNESS, LEAST_SHARPNESS), 0.5).blur_um
    assert blur_um is not None and 11 / blur_um == pytest.approx(12, abs=0.1)


def test_focus_has_no_micrometres_without_a_scale() -> None:
    assert Focus(Sharpness(0.2, 0.2), None).blur_um is None


def test_measure_focus_tells_sharp_from_blurred(draw: Draw, open_array: Open) -> None:
    with open_array(draw((500, 600), EGGS)) as picture:
        sharp = measure_focus(picture, 0.5, overview_px=1024)
    with open_array(draw((500, 600), EGGS, blur_px=4.0)) as picture:
        blurred = measure_focus(picture, 0.5, overview_px=1024)
    assert sharp is not None and blurred is not None
    assert blurred.is_blurred and not sharp.is_blurred
    # Two pixels: what a blur of 4 px and 0.8 px of drawing leave, less what the grain adds.
    assert blurred.blur_um == pytest.approx(2.0, rel=0.3)


def test_border_of_a_black_area_makes_no_picture_sharp(draw: Draw) -> None:
    blurred = to_grey(draw((500, 600), EGGS, blur_px=4.0))
    with_gap = blurred.copy()
    with_gap[:90, 420:] = 0
    as_it_is, beside_gap = measure_sharpness(blurred), measure_sharpness(with_gap, find_shown(with_gap))
    assert find_shown(blurred) is None and as_it_is is not None and beside_gap is not None
    assert beside_gap.value == pytest.approx(as_it_is.value, rel=0.1)
    mostly_black = np.where(np.arange(600) < 540, 0.0, blurred)
    assert measure_sharpness(mostly_black, find_shown(mostly_black)) is None


def test_measure_focus_is_of_the_scene_and_not_of_its_pixels(draw: Draw, open_array: Open) -> None:
    """The same blur in µm, at twice the pixels, is judged alike."""
    large = [tuple(2 * value for value in egg[:4]) + egg[4:] for egg in EGGS]
    with open_array(draw((500, 600), EGGS, blur_px=3.0)) as picture:
        coarse = measure_focus(picture, 0.5, overview_px=1024)
    with open_array(draw((1000, 1200), large, blur_px=6.0)) as picture:
        fine = measure_focus(picture, 0.25, overview_px=1024)
    assert fine is not None and coarse is not None
    assert fine.um_per_px == coarse.um_per_px == 0.5
    assert fine.sharpness.value == pytest.approx(coarse.sharpness.value, rel=0.2)


def test_samples_of_a_large_picture_begin_where_tiles_of_its_file_do(
    tmp_path: Path, draw: Draw, monkeypatch: pytest.MonkeyPatch
) -> None:
    Image.fromarray(draw((520, 2700), EGGS)).save(tmp_path / "a.png")
    asked: list[int] = []
    read = Picture.read_region

    def read_region(picture: Picture, x: int, *others: int, **scaled: tuple[int, int]) -> NDArray[np.uint8]:
        asked.append(x)
        return read(picture, x, *others, **scaled)

    monkeypatch.setattr(Picture, "read_region", read_region)
    with open_picture(tmp_path / "a.png", limits=Limits(max_memory_pixels=100)) as picture:
        measure_focus(picture, 0.5, overview_px=1024)
    assert sorted(set(asked)) == [0, 512, 1024, 1536, 2048]
