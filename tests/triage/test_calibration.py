from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.calibration import (
    Calibration,
    has_drifted,
    join_axes,
    measure_um,
    scale_to_resized,
    state_calibration,
    to_px,
)
from triage.errors import CalibrationError


@pytest.mark.parametrize("um_per_px", [0.0, -0.5, math.nan, math.inf, 1e-6, 1000.0])
def test_calibration_refuses_impossible_scale(um_per_px: float) -> None:
    with pytest.raises(CalibrationError, match=r"µm per pixel; it must lie between 0\.001 and 100"):
        Calibration(um_per_px, 0.0, "stage micrometer")


@pytest.mark.parametrize("um_per_px_sd", [-0.01, math.nan, 0.5])
def test_calibration_refuses_impossible_uncertainty(um_per_px_sd: float) -> None:
    with pytest.raises(CalibrationError, match="uncertainty of the calibration"):
        Calibration(0.5, um_per_px_sd, "stage micrometer")


def test_measure_um_of_a_printed_example() -> None:
    # 12 stage divisions of 10 µm span 22 ocular divisions: 5.45 µm a division (College of the Canyons, ocular
    # micrometer exercise; it prints 5.5), so 5 divisions are 27.3 µm.
    calibration = Calibration(12 * 10 / 22, 0.0, "stage micrometer")
    assert measure_um(5, 0.0, calibration)[0] == pytest.approx(27.27, abs=0.01)


def test_measure_um_adds_both_uncertainties_in_square() -> None:
    calibration = Calibration(0.5, 0.015, "stage micrometer")
    length_um, sd_um = measure_um(200, 2.0, calibration)
    # 200 px * 0.015 = 3 µm from the scale, 2 px * 0.5 = 1 µm from the edges; root of 9 + 1.
    assert (length_um, sd_um) == (100.0, pytest.approx(math.sqrt(10)))


@given(length_px=st.floats(0.1, 1e5), um_per_px=st.floats(0.01, 50))
def test_pixels_to_um_and_back(length_px: float, um_per_px: float) -> None:
    calibration = Calibration(um_per_px, 0.0, "stage micrometer")
    assert to_px(measure_um(length_px, 0.0, calibration)[0], calibration) == pytest.approx(length_px)


def test_state_calibration_assumes_two_percent_where_no_uncertainty_is_stated() -> None:
    assert state_calibration(0.5, None, source="file metadata") == Calibration(0.5, 0.01, "file metadata")
    assert state_calibration(0.5, 0.0, source="x").um_per_px_sd == 0.0


def test_state_calibration_refuses_zero() -> None:
    with pytest.raises(CalibrationError, match=r"gives 0\.0 µm per pixel"):
        state_calibration(0.0, None, source="x")


@pytest.mark.parametrize(
    ("picture_wh", "um_per_px"),
    [
        ((4000, 3000), 0.25),
        ((3000, 4000), 0.25),
        ((2000, 1500), 0.5),
        ((1500, 2000), 0.5),
        ((8000, 6000), 0.125),
    ],
)
def test_scale_to_resized_keeps_the_field_in_um(picture_wh: tuple[int, int], um_per_px: float) -> None:
    scaled = scale_to_resized(Calibration(0.25, 0.001, "x"), (4000, 3000), picture_wh)
    assert scaled.um_per_px == pytest.approx(um_per_px)
    assert scaled.um_per_px_sd == pytest.approx(0.004 * um_per_px)


def test_scale_to_resized_carries_the_rounding_of_sides() -> None:
    scaled = scale_to_resized(Calibration(0.25, 0.0, "x"), (4000, 3000), (401, 300))
    assert scaled.um_per_px == pytest.approx(0.25 * (4000 / 401 + 10) / 2)
    # Half the difference of the two factors, rectangular.
    assert scaled.um_per_px_sd == pytest.approx(0.25 * (10 - 4000 / 401) / 2 / math.sqrt(3))


@pytest.mark.parametrize("picture_wh", [(4000, 2250), (3000, 3000), (4000, 2984), (1, 1), (1920, 1080)])
def test_scale_to_resized_refuses_another_aspect(picture_wh: tuple[int, int]) -> None:
    with pytest.raises(CalibrationError, match=rf"4000 x 3000 px; this one has {picture_wh[0]} x"):
        scale_to_resized(Calibration(0.25, 0.001, "x"), (4000, 3000), picture_wh)


def test_join_axes_carries_their_difference() -> None:
    joined = join_axes(Calibration(0.5, 0.003, "x"), Calibration(0.504, 0.004, "x"))
    assert joined.um_per_px == pytest.approx(0.502)
    assert joined.um_per_px_sd == pytest.approx(math.hypot(0.0025, 0.002 / math.sqrt(3)))


def test_join_axes_refuses_pixels_far_from_square() -> None:
    with pytest.raises(CalibrationError, match=r"0\.5 µm per pixel along x and 0\.52 along y"):
        join_axes(Calibration(0.5, 0.0, "x"), Calibration(0.52, 0.0, "x"))


@pytest.mark.parametrize(("newer", "drifted"), [(0.5027, False), (0.5029, True), (0.4971, True)])
def test_has_drifted_beyond_both_uncertainties(newer: float, drifted: bool) -> None:
    # Root 2 of 0.001, times 1.96: 0.00277.
    assert has_drifted(Calibration(newer, 0.001, "x"), Calibration(0.5, 0.001, "x")) is drifted
