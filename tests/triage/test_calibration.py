from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.calibration import Calibration, measure_um, state_calibration, to_px
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
