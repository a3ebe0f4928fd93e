from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from triage.images import Picture
from triage.outline import NoOutline, _cut_patch, find_outlines, measure_moments
from triage.records import Ellipse
from triage.shell import ShellSize, measure_shells

Draw = Callable[..., NDArray[np.uint8]]
Open = Callable[[NDArray[np.uint8]], Picture]


def find_outline(picture: Picture, guess: Ellipse) -> ShellSize | None:
    found = find_outlines(picture, [guess])[0]
    return None if isinstance(found, NoOutline) else measure_shells([found], [{}])[0]


def angle_between(one: float, other: float) -> float:
    return abs((one - other + 90) % 180 - 90)


@pytest.mark.parametrize("blur_px", [0.8, 2.0])
@pytest.mark.parametrize("angle", [-75.0, -30.0, 0.0, 45.0, 90.0])
@pytest.mark.parametrize(("length", "width"), [(24.0, 20.0), (80.0, 40.0), (150.0, 110.0)])
def test_find_outline_measures_a_drawn_ellipse(
    draw: Draw, open_array: Open, length: float, width: float, angle: float, blur_px: float
) -> None:
    pixels = draw((300, 300), [(150.3, 149.6, length, width, angle)], blur_px=blur_px)
    with open_array(pixels) as picture:
        outline = find_outline(
            picture,
            Ellipse(150.3 + 0.08 * width, 149.6 - 0.05 * width, length * 1.1, width * 0.95, angle + 6),
        )
    assert outline is not None
    found = outline.ellipse
    assert (found.cx, found.cy) == (pytest.approx(150.3, abs=0.25), pytest.approx(149.6, abs=0.25))
    # Blur pulls a curved edge inward by about sigma² / (2 r): 0.2 px on each side of the smallest one here.
    # The rim network reads blurred discs short by up to 0.9 px or 1.2 %, and says so in its uncertainty.
    assert found.length_px == pytest.approx(length, abs=max(0.9, 0.012 * length))
    assert found.width_px == pytest.approx(width, abs=0.7)
    assert abs(found.length_px - length) < 1.96 * outline.length_px_sd
    assert abs(found.width_px - width) < 1.96 * outline.width_px_sd
    assert angle_between(found.angle_deg, angle) < 4
    assert -90 < found.angle_deg <= 90


def test_find_outline_states_an_uncertainty_that_covers_the_error(draw: Draw, open_array: Open) -> None:
    errors = []
    for seed in range(12):
        generator = np.random.default_rng(seed)
        length, angle = generator.uniform(50, 100), generator.uniform(-89, 90)
        pixels = draw((200, 200), [(100, 100, length, 0.6 * length, angle)])
        noisy = np.clip(pixels + generator.normal(0, 12, pixels.shape), 0, 255).astype(np.uint8)
        with open_array(noisy) as picture:
            outline = find_outline(picture, Ellipse(101, 99, length * 0.95, 0.62 * length, angle))
        assert outline is not None
        errors.append((outline.ellipse.length_px - length) / outline.length_px_sd)
    assert max(abs(error) for error in errors) < 3


@pytest.mark.parametrize("centre", [(300.0, 260.0), (560.0, 470.0)])
def test_a_large_object_is_read_in_means_of_squares(open_array: Open, centre: tuple[float, float]) -> None:
    """Up to the picture's edge, whose last square ends with it."""
    pixels = np.random.default_rng(4).integers(0, 256, (501, 601, 3), dtype=np.uint8)
    with open_array(pixels) as picture:
        patch = _cut_patch(picture, Ellipse(*centre, 230.0, 180.0, 20.0))
    even = np.pad(pixels, ((0, 1), (0, 1), (0, 0)), mode="edge").astype(float)
    means = even.reshape(251, 2, 301, 2, 3).mean(axis=(1, 3, 4))
    (left, top), (rows, columns) = patch.origin.astype(int), patch.grey.shape
    assert patch.per_px.tolist() == [2.0, 2.0] and rows > 100 < columns
    np.testing.assert_allclose(patch.grey, means[top : top + rows, left : left + columns], atol=0.51)


def test_find_outline_of_a_large_object_works_in_a_reduced_copy(draw: Draw, open_array: Open) -> None:
    with open_array(draw((700, 700), [(350, 360, 560, 440, 20)])) as picture:
        outline = find_outline(picture, Ellipse(344, 366, 530, 465, 25))
    assert outline is not None
    assert outline.ellipse.length_px == pytest.approx(560, abs=3)
    assert outline.ellipse.width_px == pytest.approx(440, abs=3)


def test_find_outline_keeps_to_its_own_object_beside_a_touching_one(draw: Draw, open_array: Open) -> None:
    with open_array(draw((300, 300), [(130, 150, 80, 50, 90), (180, 150, 80, 50, 90)])) as picture:
        outline = find_outline(picture, Ellipse(131, 151, 78, 52, 88))
    assert outline is not None
    assert outline.ellipse.cx == pytest.approx(130, abs=2)
    assert outline.ellipse.width_px == pytest.approx(50, abs=4)


def test_find_outline_follows_a_bright_ring_too(draw: Draw, open_array: Open) -> None:
    pixels = 255 - draw((200, 200), [(100, 100, 80, 50, 10)])
    with open_array(pixels) as picture:
        outline = find_outline(picture, Ellipse(101, 99, 84, 48, 8))
    assert outline is not None
    assert outline.ellipse.length_px == pytest.approx(80, abs=0.6)


def test_find_outline_counts_plugs_into_the_length(open_array: Open) -> None:
    pixels = np.full((200, 200, 3), 210, dtype=np.uint8)
    cv2.ellipse(pixels, (100, 100), (36, 18), 0, 0, 360, (90, 90, 90), -1, cv2.LINE_AA)
    for x in (64, 136):
        cv2.circle(pixels, (x, 100), 6, (120, 120, 120), -1, cv2.LINE_AA)
    with open_array(pixels) as picture:
        outline = find_outline(picture, Ellipse(100, 100, 84, 37, 0))
    assert outline is not None
    assert outline.ellipse.length_px == pytest.approx(84, abs=3)
    assert outline.ellipse.width_px == pytest.approx(37, abs=1.5)


def test_find_outline_sees_none_on_an_even_ground(draw: Draw, open_array: Open) -> None:
    with open_array(draw((200, 200), [])) as picture:
        assert find_outline(picture, Ellipse(100, 100, 60, 40, 0)) is None


def test_find_outline_sees_none_in_noise(open_array: Open) -> None:
    noise = np.random.default_rng(3).integers(0, 255, (200, 200, 3), dtype=np.uint8)
    with open_array(noise) as picture:
        assert find_outline(picture, Ellipse(100, 100, 60, 40, 0)) is None


def test_find_outline_sees_none_where_the_picture_cuts_the_object(draw: Draw, open_array: Open) -> None:
    with open_array(draw((200, 200), [(15, 100, 80, 50, 0)])) as picture:
        assert find_outline(picture, Ellipse(15, 100, 80, 50, 0)) is None


@pytest.mark.parametrize("guess", [Ellipse(0, 0, 1, 1, 0), Ellipse(0.5, 0.5, 40, 30, 0)])
def test_find_outline_sees_none_in_one_pixel(open_array: Open, guess: Ellipse) -> None:
    with open_array(np.full((1, 1, 3), 120, dtype=np.uint8)) as picture:
        assert find_outline(picture, guess) is None


def test_find_outline_sees_none_where_half_of_it_is_missing(draw: Draw, open_array: Open) -> None:
    pixels = draw((200, 200), [(100, 100, 90, 60, 0)])
    pixels[:, :100] = draw((200, 100), [])
    with open_array(pixels) as picture:
        assert find_outline(picture, Ellipse(100, 100, 90, 60, 0)) is None


def test_find_outline_sees_none_where_the_edge_leaves_most_of_the_rim(draw: Draw, open_array: Open) -> None:
    # The edge cuts the circle a little inside its rim: a fifth of the rays leave the picture there.
    with open_array(draw((200, 200), [(36, 100, 80, 80, 0)])) as picture:
        assert find_outline(picture, Ellipse(36, 100, 80, 80, 0)) is None


@pytest.mark.parametrize("seed", range(6))
def test_find_outline_makes_no_outline_out_of_grain(open_array: Open, seed: int) -> None:
    grain = np.random.default_rng(seed).normal(150, 40, (200, 200, 3)).clip(0, 255).astype(np.uint8)
    with open_array(grain) as picture:
        for side in (16.0, 24.0, 40.0):
            assert find_outline(picture, Ellipse(100, 100, side, 0.8 * side, 0)) is None


def test_find_outlines_gives_each_what_it_gets_alone(draw: Draw, open_array: Open) -> None:
    truths = [(80, 80, 60, 40, 20), (200, 90, 24, 20, 0), (120, 220, 150, 90, -60)]
    guesses = [
        Ellipse(x + 1, y - 1, length * 1.05, width * 0.96, angle) for x, y, length, width, angle in truths
    ]
    guesses.insert(1, Ellipse(260, 260, 40, 30, 0))
    with open_array(draw((300, 300), truths)) as picture:
        together = find_outlines(picture, guesses)
        for guess, found in zip(guesses, together, strict=True):
            alone = find_outlines(picture, [guess])[0]
            if isinstance(found, NoOutline) or isinstance(alone, NoOutline):
                assert found == alone
            else:
                np.testing.assert_array_equal(found.points, alone.points)
    assert [isinstance(found, NoOutline) for found in together] == [False, True, False, False]


def test_find_outlines_takes_zero_guesses(draw: Draw, open_array: Open) -> None:
    with open_array(draw((50, 50), [])) as picture:
        assert find_outlines(picture, []) == []


@pytest.mark.parametrize(
    ("guess", "reason"),
    [
        (Ellipse(100, 100, 5, 4, 0), "about 4 px wide; an outline needs 6 px"),
        (Ellipse(0, 100, 80, 50, 0), "outside the picture"),
        (Ellipse(150, 60, 60, 40, 0), "No edge around it stands out"),
    ],
)
def test_find_outlines_says_why_there_is_none(
    draw: Draw, open_array: Open, guess: Ellipse, reason: str
) -> None:
    with open_array(draw((200, 200), [])) as picture:
        found = find_outlines(picture, [guess])[0]
    assert isinstance(found, NoOutline)
    assert reason in found.reason


def test_measure_moments_calls_the_longer_one_length() -> None:
    # A thin spike makes the outline longest across the long axis of its area.
    outline = [(0, 0), (60, 0), (60, 50), (31, 50), (30, 75), (29, 50), (0, 50)]
    cx, cy, length, width, turn = measure_moments(np.array([outline], dtype=np.float64))[0]
    assert (length, width) == (pytest.approx(75, abs=1), pytest.approx(60, abs=1))
    assert abs(np.rad2deg(turn)) == pytest.approx(90, abs=2)
    assert (cx, cy) == (pytest.approx(30, abs=1), pytest.approx(37.5, abs=1))
