"""The same object in other pictures of a scan."""

from __future__ import annotations

import pytest

from service.elsewhere import _to_fields, _to_mosaic

REPORT = {
    "field": {"width": 100, "height": 80},
    "placed": [
        {"image_id": 1, "x": 10.0, "y": 0.0, "turn_deg": 0.0},
        {"image_id": 2, "x": 70.0, "y": 4.0, "turn_deg": 1.5},
        {"image_id": 3, "x": 300.0, "y": 0.0, "turn_deg": 0.0},
    ],
}


def test_point_in_the_overlap_is_found_in_both_fields_and_nowhere_else() -> None:
    in_mosaic = _to_mosaic(REPORT, 2, (20.0, 30.0))
    assert in_mosaic is not None
    seen = {image_id: (x, y) for image_id, x, y in _to_fields(REPORT, in_mosaic)}
    assert set(seen) == {1, 2}
    assert seen[2] == pytest.approx((20.0, 30.0))
    # Turned 1.5 degrees about (50, 40): by hand, to a tenth of a pixel.
    assert seen[1] == pytest.approx((60 + 20.0 + 0.27, 4 + 30.0 - 0.78), abs=0.1)


def test_picture_of_no_stitching_has_no_place() -> None:
    assert _to_mosaic(REPORT, 9, (20.0, 30.0)) is None
