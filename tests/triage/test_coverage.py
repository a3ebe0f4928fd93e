"""Areas and gaps of scans whose fields lie on a grid with some left out."""

from __future__ import annotations

import pytest

from triage.coverage import FieldArea, coverage_to_json, measure_coverage
from triage.errors import RecordError


def lay(rows: int, columns: int, *, left_out: set[tuple[int, int]], step: float = 80.0) -> list[FieldArea]:
    """Fields of 100 x 100 px, the next one `step` further."""
    places = [(r, c) for r in range(rows) for c in range(columns) if (r, c) not in left_out]
    return [FieldArea(c * step, r * step, 100, 100, True) for r, c in places]


def test_area_of_two_overlapping_fields_counts_once() -> None:
    coverage = measure_coverage(lay(1, 2, left_out=set()), (100, 180))
    assert coverage.imaged_px == pytest.approx(18_000, rel=0.01)
    assert coverage.gaps == () and coverage.passes == 1


def test_gap_is_named_by_pass_and_third() -> None:
    coverage = measure_coverage(lay(5, 9, left_out={(3, 7)}), (420, 740))
    (gap,) = coverage.gaps
    assert gap.name == "pass 4, right third"
    # Its neighbours each show 20 px of it.
    assert (gap.x, gap.y, gap.width, gap.height) == pytest.approx((580, 260, 60, 60), abs=2)
    assert coverage.imaged_px == pytest.approx(420 * 740 - 3600, rel=0.01)


def test_pass_that_is_missing_as_a_whole_is_counted_and_named() -> None:
    coverage = measure_coverage(lay(4, 5, left_out={(2, c) for c in range(5)}), (340, 420))
    assert coverage.passes == 4
    assert [gap.name for gap in coverage.gaps] == ["pass 3, whole width"]


def test_gap_over_two_passes_is_named_in_both() -> None:
    coverage = measure_coverage(lay(4, 6, left_out={(1, 0), (2, 0)}), (340, 500))
    assert [gap.name for gap in coverage.gaps] == ["pass 2, left third", "pass 3, left third"]


def test_seam_that_is_narrow_is_no_gap() -> None:
    coverage = measure_coverage(lay(2, 2, left_out=set(), step=105.0), (205, 205))
    assert coverage.gaps == () and coverage.imaged_px == pytest.approx(40_000, rel=0.02)


def test_areas_in_focus_and_not_judged_are_apart() -> None:
    fields = [
        FieldArea(0, 0, 100, 100, True),
        FieldArea(100, 0, 100, 100, False),
        FieldArea(200, 0, 100, 100, None),
    ]
    coverage = measure_coverage(fields, (100, 300))
    assert (coverage.sharp_px, coverage.unjudged_px) == pytest.approx((10_000, 10_000), rel=0.01)


def test_json_gives_square_millimetres_and_shares() -> None:
    coverage = measure_coverage([FieldArea(0, 0, 2000, 1000, True)], (1000, 2000))
    value = coverage_to_json(coverage, um_per_px=0.5, coverslip_mm=22)
    # 1.0 mm by 0.5 mm of 22 mm by 22 mm.
    assert value["imaged"] == {"mm2": 0.5, "share_of_coverslip": pytest.approx(0.5 / 484, abs=1e-5)}
    assert value["passes"] == 1 and value["gaps"] == []


def test_json_says_unknown_without_scale_or_side() -> None:
    coverage = measure_coverage([FieldArea(0, 0, 200, 100, True)], (100, 200))
    unknown = {"mm2": None, "share_of_coverslip": None}
    assert coverage_to_json(coverage, um_per_px=None, coverslip_mm=22)["imaged"] == unknown
    assert coverage_to_json(coverage, um_per_px=1.0, coverslip_mm=None)["imaged"] == {
        "mm2": 0.02,
        "share_of_coverslip": None,
    }


@pytest.mark.parametrize(
    ("numbers", "message"),
    [((0.0, 22.0), "The scale is 0.0 µm per pixel"), ((1.0, -1.0), "side is -1.0 mm")],
)
def test_impossible_numbers_are_refused(numbers: tuple[float, float], message: str) -> None:
    coverage = measure_coverage([FieldArea(0, 0, 200, 100, True)], (100, 200))
    with pytest.raises(RecordError, match=message):
        coverage_to_json(coverage, um_per_px=numbers[0], coverslip_mm=numbers[1])


def test_no_field_is_a_slip() -> None:
    with pytest.raises(ValueError, match="1 or more"):
        measure_coverage([], (10, 10))
