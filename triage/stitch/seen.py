"""How much of the coverslip a stitched scan shows."""

from __future__ import annotations

from typing import Any

from triage.coverage import FieldArea, coverage_to_json, measure_coverage
from triage.sharpness import LEAST_SHARPNESS
from triage.stitch.records import Stitching


def describe_coverage(stitching: Stitching, *, coverslip_mm: float | None = None) -> dict[str, Any]:
    """Areas and gaps of a scan as plain values for JSON.

    Parameters
    ----------
    stitching : Stitching
    coverslip_mm : float, optional
        Side of the square coverslip.
    """
    height, width = stitching.field_hw
    fields = [
        FieldArea(
            one.x,
            one.y,
            width,
            height,
            None if one.sharpness is None else one.sharpness >= LEAST_SHARPNESS,
        )
        for one in stitching.placed
    ]
    coverage = measure_coverage(fields, stitching.shape_hw)
    return coverage_to_json(coverage, um_per_px=stitching.um_per_px, coverslip_mm=coverslip_mm)
