from __future__ import annotations

import math

import pytest

from triage.errors import CalibrationError
from triage.micrometer import measure_ocular_division, measure_two_points


@pytest.mark.parametrize(
    ("stage_divisions", "ocular_divisions", "um_per_division"),
    # Worked examples of the College of the Canyons, ocular micrometer exercise, without its rounding (it
    # prints 5.5 and 1.4).
    [(12, 22, 5.454545), (1, 7, 1.428571)],
)
def test_measure_ocular_division_of_a_printed_example(
    stage_divisions: int, ocular_divisions: int, um_per_division: float
) -> None:
    found, _ = measure_ocular_division(stage_divisions, ocular_divisions)
    assert found == pytest.approx(um_per_division, abs=1e-6)


def test_measure_ocular_division_is_surer_over_more_divisions() -> None:
    few, many = measure_ocular_division(1, 7)[1], measure_ocular_division(10, 70)[1]
    assert few == pytest.approx(10 * many)
    # Both ends read to a fifth of a division: 0.2 * root 2 of 7 divisions.
    assert few == pytest.approx(10 / 7 * 0.2 * math.sqrt(2) / 7)


@pytest.mark.parametrize("numbers", [(0, 7), (12, 0), (-1, 7), (math.nan, 7)])
def test_measure_ocular_division_refuses_no_divisions(numbers: tuple[float, float]) -> None:
    with pytest.raises(CalibrationError, match="must be above 0"):
        measure_ocular_division(*numbers)


@pytest.mark.parametrize("numbers", [(1e308, 1), (1, 1e308), (1, 0.001), (1, 0.2)])
def test_measure_ocular_division_refuses_what_no_eyepiece_shows(numbers: tuple[float, float]) -> None:
    with pytest.raises(CalibrationError, match=r"One division of the eyepiece's scale comes out as"):
        measure_ocular_division(*numbers)


def test_measure_two_points_divides_the_length_by_their_distance() -> None:
    scale = measure_two_points((100, 50), (400, 450), 250.0, pointing_sd_px=2.0)
    # 3-4-5 triangle: 500 px; pointing 2 px at both ends, 2 * root 2 of 500.
    assert scale.um_per_px == 0.5
    assert scale.um_per_px_sd == pytest.approx(0.5 * 2 * math.sqrt(2) / 500)


def test_measure_two_points_carries_the_uncertainty_of_the_length() -> None:
    scale = measure_two_points((0, 0), (1000, 0), 500.0, length_um_sd=5.0, pointing_sd_px=0.0)
    assert scale.um_per_px_sd == pytest.approx(0.01 * 0.5)


@pytest.mark.parametrize(
    ("second_xy", "length_um", "message"),
    [
        ((10.0, 10.0), 100.0, "points lie 0.0 px apart"),
        ((15.0, 10.0), 100.0, "points lie 5.0 px apart"),
        ((math.nan, 10.0), 100.0, "points lie nan px apart"),
        ((500.0, 10.0), 0.0, "A length of 0.0 µm"),
    ],
)
def test_measure_two_points_refuses(second_xy: tuple[float, float], length_um: float, message: str) -> None:
    with pytest.raises(CalibrationError, match=message):
        measure_two_points((10.0, 10.0), second_xy, length_um)
