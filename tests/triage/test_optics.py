from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.errors import RecordError
from triage.optics import (
    Objective,
    abbe_um,
    field_diameter_mm,
    largest_useful_um_per_px,
    plan_coverage,
    rayleigh_um,
    read_objective,
    usual_objective,
)

SIDES = st.floats(1, 60)
FIELDS = st.floats(0.1, 10)


@pytest.mark.parametrize(
    ("field_number", "magnification", "diameter"),
    # Printed in the Boru field-of-view chart.
    [
        (18, 4, 4.5),
        (18, 10, 1.8),
        (18, 40, 0.45),
        (18, 100, 0.18),
        (20, 4, 5.0),
        (20, 10, 2.0),
        (20, 20, 1.0),
        (22, 4, 5.5),
        (22, 10, 2.2),
        (22, 40, 0.55),
        (25, 20, 1.25),
        (25, 40, 0.625),
    ],
)
def test_field_diameter_is_that_of_the_printed_chart(
    field_number: float, magnification: float, diameter: float
) -> None:
    assert field_diameter_mm(field_number, magnification) == pytest.approx(diameter)


def test_field_diameter_shrinks_with_a_lens_in_the_tube() -> None:
    assert field_diameter_mm(20, 10, tube_factor=1.25) == pytest.approx(1.6)


@pytest.mark.parametrize(
    ("aperture", "distance", "digits"),
    # Printed by the Univ. of Arizona imaging table (citing Inoue 1986) for light of 0.515 µm.
    [(0.13, 2.42, 2), (0.45, 0.70, 2), (0.75, 0.42, 2), (1.30, 0.24, 2), (1.40, 0.22, 2)],
)
def test_rayleigh_is_that_of_the_printed_table(aperture: float, distance: float, digits: int) -> None:
    assert round(rayleigh_um(Objective(10, aperture), wavelength_um=0.515), digits) == distance


@pytest.mark.parametrize(
    ("aperture", "um_per_px"), [(0.13, 1.05), (0.45, 0.30), (0.75, 0.18), (1.30, 0.11), (1.40, 0.10)]
)
def test_largest_useful_pixel_is_that_of_the_printed_table(aperture: float, um_per_px: float) -> None:
    # The same table of the Univ. of Arizona.
    useful = largest_useful_um_per_px(Objective(10, aperture), wavelength_um=0.515)
    assert round(useful, 2) == um_per_px


@pytest.mark.parametrize(
    ("magnification", "rayleigh", "abbe", "um_per_px"),
    # Worked out apart from this code with the two formulas, at 0.55 µm.
    [
        (4, 3.355, 2.750, 1.459),
        (10, 1.342, 1.100, 0.583),
        (20, 0.839, 0.688, 0.365),
        (40, 0.516, 0.423, 0.224),
        (100, 0.268, 0.220, 0.117),
    ],
)
def test_usual_objectives_resolve_what_their_aperture_allows(
    magnification: float, rayleigh: float, abbe: float, um_per_px: float
) -> None:
    objective = usual_objective(magnification)
    assert objective is not None
    assert rayleigh_um(objective) == pytest.approx(rayleigh, abs=6e-4)
    assert abbe_um(objective) == pytest.approx(abbe, abs=6e-4)
    assert largest_useful_um_per_px(objective) == pytest.approx(um_per_px, abs=6e-4)


@pytest.mark.parametrize(
    ("text", "magnification", "aperture", "is_usual"),
    [
        ("10x/0.25", 10, 0.25, False),
        ("Plan 40 × / 0,65", 40, 0.65, False),
        ("20X NA 0.45", 20, 0.45, False),
        ("4x n.a. 0.13", 4, 0.13, False),
        ("40x", 40, 0.65, True),
        ("100x oil, phone at the eyepiece", 100, 1.25, True),
        ("10x/0.17 coverglass, eyepiece 15x", 10, 0.17, False),
    ],
)
def test_read_objective_as_people_write_it(
    text: str, magnification: float, aperture: float, is_usual: bool
) -> None:
    assert read_objective(text) == Objective(magnification, aperture, is_usual)


@pytest.mark.parametrize("text", ["", "low power", "x", "7x", "0x", "10", "/0.25"])
def test_read_objective_guesses_none(text: str) -> None:
    assert read_objective(text) is None


def test_usual_objective_of_an_unusual_magnification_is_none() -> None:
    assert usual_objective(7) is None


@pytest.mark.parametrize(
    ("field_number", "side", "area_ratio", "n_passes", "n_passes_overlapping", "n_fields"),
    # Worked out apart from this code; 18 / 1.8 and 22 / 2.2 are whole numbers only after rounding.
    [
        (18, 18, 127.3, 10, 12, 225),
        (18, 22, 190.2, 13, 14, 324),
        (18, 24, 226.4, 14, 15, 361),
        (20, 18, 103.1, 9, 10, 169),
        (20, 22, 154.1, 11, 13, 256),
        (20, 24, 183.3, 12, 14, 289),
        (22, 18, 85.2, 9, 10, 144),
        (22, 22, 127.3, 10, 12, 225),
        (22, 24, 151.5, 11, 13, 256),
    ],
)
def test_plan_coverage_of_common_coverslips_at_10x(
    field_number: float,
    side: float,
    area_ratio: float,
    n_passes: int,
    n_passes_overlapping: int,
    n_fields: int,
) -> None:
    field_mm = field_diameter_mm(field_number, 10)
    coverage = plan_coverage(side, field_mm)
    assert round(coverage.area_ratio, 1) == area_ratio
    assert (coverage.n_passes, coverage.n_gap_free_fields) == (n_passes, n_fields)
    assert plan_coverage(side, field_mm, overlap=0.1).n_passes == n_passes_overlapping


@given(n=st.integers(1, 60), tenths_of_mm=st.integers(1, 50))
def test_plan_coverage_of_whole_numbers_of_fields_needs_no_pass_more(n: int, tenths_of_mm: int) -> None:
    field_mm = tenths_of_mm / 10
    assert plan_coverage(n * field_mm, field_mm).n_passes == n


@given(side=SIDES, field_mm=FIELDS, overlap=st.floats(0, 0.9))
def test_plan_coverage_reaches_both_edges_and_no_further(
    side: float, field_mm: float, overlap: float
) -> None:
    n_passes = plan_coverage(side, field_mm, overlap=overlap).n_passes
    step = (1 - overlap) * field_mm
    assert n_passes * step >= side - 1e-6
    assert (n_passes - 1) * step < side


@given(side=SIDES, field_mm=FIELDS)
def test_gap_free_fields_cover_the_corners_of_their_squares(side: float, field_mm: float) -> None:
    coverage = plan_coverage(side, field_mm)
    step = side / math.isqrt(coverage.n_gap_free_fields)
    assert step * math.sqrt(2) <= field_mm * (1 + 1e-6)
    assert coverage.n_gap_free_fields >= coverage.area_ratio * (1 - 1e-6)


@pytest.mark.parametrize(("side", "field_mm"), [(1e308, 2.0), (22.0, 1e308), (22.0, 1e-300)])
def test_plan_coverage_refuses_lengths_that_no_slide_has(side: float, field_mm: float) -> None:
    with pytest.raises(RecordError, match="can be planned for"):
        plan_coverage(side, field_mm)


@pytest.mark.parametrize("overlap", [-0.1, 1.0, 10.0])
def test_plan_coverage_refuses_an_impossible_overlap(overlap: float) -> None:
    with pytest.raises(RecordError, match=rf"overlap is {overlap}; it must be 0 or more and below 1"):
        plan_coverage(22, 2.2, overlap=overlap)


@pytest.mark.parametrize(
    ("field_number", "magnification", "tube_factor", "name"),
    [
        (0, 10, 1, "field number is 0 mm"),
        (20, -4, 1, "objective is -4 x"),
        (20, 10, math.nan, "tube factor is nan x"),
        (math.inf, 10, 1, "field number is inf mm"),
    ],
)
def test_field_diameter_refuses_what_is_not_above_zero(
    field_number: float, magnification: float, tube_factor: float, name: str
) -> None:
    with pytest.raises(RecordError, match=name):
        field_diameter_mm(field_number, magnification, tube_factor=tube_factor)


@pytest.mark.parametrize("aperture", [0.0, -0.1, 1.7, math.nan])
def test_objective_refuses_an_impossible_aperture(aperture: float) -> None:
    with pytest.raises(RecordError, match="numerical aperture is"):
        Objective(10, aperture)
