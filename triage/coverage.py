"""How much of a coverslip was seen: area imaged, area in focus, and the gaps, named by pass of the scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.errors import RecordError

MOST_SIDE_MM = 100.0
_CELLS = 1000
# Narrower than this share of a field a gap is a seam, not a place where something was left out (our choice).
_LEAST_GAP = 0.1
_WHOLE_WIDTH = 0.6
_THIRDS = ("left third", "middle third", "right third")


@dataclass(frozen=True)
class FieldArea:
    """Where a field lies, in pixels of the mosaic, and whether it is in focus (None: nothing to judge by)."""

    x: float
    y: float
    width: float
    height: float
    is_sharp: bool | None


@dataclass(frozen=True)
class Gap:
    """A part of the scan's rectangle that no field shows; pixels of the mosaic."""

    x: float
    y: float
    width: float
    height: float
    area_px: float
    name: str


@dataclass(frozen=True)
class Coverage:
    """What a scan shows of its rectangle; areas in square pixels of the mosaic.

    Attributes
    ----------
    imaged_px, sharp_px, unjudged_px : float
        Area that any field shows; that one in focus shows; that only fields without anything to judge focus
        by show.
    passes : int
        Rows of the scan.
    gaps : tuple of Gap
        From the first pass on, left to right.
    """

    imaged_px: float
    sharp_px: float
    unjudged_px: float
    passes: int
    gaps: tuple[Gap, ...]


def measure_coverage(fields: Sequence[FieldArea], shape_hw: tuple[int, int]) -> Coverage:
    """Areas and gaps of a scan from where its fields lie.

    Parameters
    ----------
    fields : sequence of FieldArea
        One or more.
    shape_hw : tuple of int
        Rows and columns of the mosaic.

    Notes
    -----
    Areas are counted on a grid of 1000 cells along the longer side, so that what two fields show counts once.

    Raises
    ------
    ValueError
        If there is no field.
    """
    if not fields:
        raise ValueError("fields must hold 1 or more, received none.")
    cell_px = max(1.0, max(shape_hw) / _CELLS)
    grid_hw = (max(1, round(shape_hw[0] / cell_px)), max(1, round(shape_hw[1] / cell_px)))
    is_seen = _draw(fields, grid_hw, cell_px)
    is_sharp = _draw([one for one in fields if one.is_sharp], grid_hw, cell_px)
    is_judged = _draw([one for one in fields if one.is_sharp is not None], grid_hw, cell_px)
    passes_y = _find_passes(fields)
    cell_area = (shape_hw[0] / grid_hw[0]) * (shape_hw[1] / grid_hw[1])
    return Coverage(
        imaged_px=float(is_seen.sum() * cell_area),
        sharp_px=float(is_sharp.sum() * cell_area),
        unjudged_px=float((is_seen & ~is_judged).sum() * cell_area),
        passes=len(passes_y),
        gaps=_find_gaps(~is_seen, passes_y, cell_px, fields[0]),
    )


def _draw(fields: Sequence[FieldArea], grid_hw: tuple[int, int], cell_px: float) -> NDArray[np.bool_]:
    grid = np.zeros(grid_hw, dtype=bool)
    for one in fields:
        rows = slice(max(0, round(one.y / cell_px)), max(0, round((one.y + one.height) / cell_px)))
        columns = slice(max(0, round(one.x / cell_px)), max(0, round((one.x + one.width) / cell_px)))
        grid[rows, columns] = True
    return grid


def _find_passes(fields: Sequence[FieldArea]) -> list[float]:
    """Middle of each row of the scan, from above; a row that is missing as a whole has its place too."""
    middles = sorted(one.y + one.height / 2 for one in fields)
    rows: list[list[float]] = [[middles[0]]]
    for middle in middles[1:]:
        if middle - np.mean(rows[-1]) > fields[0].height / 2:
            rows.append([])
        rows[-1].append(middle)
    found = [float(np.mean(row)) for row in rows]
    if len(found) < 2:
        return found
    step = float(np.min(np.diff(found)))
    passes = [found[0]]
    for middle in found[1:]:
        missing = max(0, round((middle - passes[-1]) / step) - 1)
        passes += np.linspace(passes[-1], middle, missing + 2)[1:].tolist()
    return passes


def _find_gaps(
    is_gap: NDArray[np.bool_], passes_y: Sequence[float], cell_px: float, field: FieldArea
) -> tuple[Gap, ...]:
    least = max(1, round(_LEAST_GAP * min(field.width, field.height) / cell_px))
    kernel = np.ones((least, least), np.uint8)
    # A gap may touch the rim of the scan, but what lies beyond it makes no seam along it wider.
    padded = np.pad(is_gap.astype(np.uint8), least)
    wide = cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)[least:-least, least:-least]
    edges = [0.0, *((a + b) / 2 for a, b in pairwise(passes_y)), np.inf]
    gaps = []
    for number, (top, bottom) in enumerate(pairwise(edges)):
        band = wide.copy()
        band[: round(top / cell_px)] = 0
        if np.isfinite(bottom):
            band[round(bottom / cell_px) :] = 0
        n, _, stats, _ = cv2.connectedComponentsWithStats(band, connectivity=4)
        for x, y, width, height, area in stats[1:n].tolist():
            if min(width, height) < least:
                continue
            name = _name_gap(number, x, width, is_gap.shape[1])
            gaps.append(
                Gap(x * cell_px, y * cell_px, width * cell_px, height * cell_px, area * cell_px**2, name)
            )
    return tuple(gaps)


def _name_gap(number: int, x: int, width: int, columns: int) -> str:
    if width > _WHOLE_WIDTH * columns:
        return (
            f"pass {number + 1}, whole width" if width > 0.95 * columns else f"pass {number + 1}, most of it"
        )
    third = min(2, int(3 * (x + width / 2) / columns))
    return f"pass {number + 1}, {_THIRDS[third]}"


def check_side(coverslip_mm: float | None) -> None:
    """Refuse a side of the coverslip that can't be.

    Raises
    ------
    RecordError
        If it is not above 0 and at most 100 mm.
    """
    if coverslip_mm is not None and not 0 < coverslip_mm <= MOST_SIDE_MM:
        raise RecordError(
            f"The coverslip's side is {coverslip_mm} mm; it must be above 0 and at most {MOST_SIDE_MM:g}. "
            "Correct it."
        )


def coverage_to_json(
    coverage: Coverage, *, um_per_px: float | None, coverslip_mm: float | None
) -> dict[str, Any]:
    """Areas in mm2 and as shares of the coverslip, and the gaps in pixels of the mosaic.

    Parameters
    ----------
    coverage : Coverage
    um_per_px : float or None
        None: areas are unknown.
    coverslip_mm : float or None
        Side of the square coverslip; None: shares are unknown.

    Raises
    ------
    RecordError
        If the scale or the side can't be.
    """
    if um_per_px is not None and not um_per_px > 0:
        raise RecordError(f"The scale is {um_per_px} µm per pixel; it must be above 0. Measure it again.")
    check_side(coverslip_mm)
    mm2_a_px = None if um_per_px is None else um_per_px**2 / 1e6
    whole_mm2 = None if coverslip_mm is None else coverslip_mm**2

    def area(px: float) -> dict[str, float | None]:
        mm2 = None if mm2_a_px is None else px * mm2_a_px
        share = None if mm2 is None or whole_mm2 is None else round(mm2 / whole_mm2, 5)
        return {"mm2": None if mm2 is None else round(mm2, 4), "share_of_coverslip": share}

    return {
        "coverslip_mm": coverslip_mm,
        "imaged": area(coverage.imaged_px),
        "in_focus": area(coverage.sharp_px),
        "focus_not_judged": area(coverage.unjudged_px),
        "passes": coverage.passes,
        "gaps": [
            {
                "name": gap.name,
                "bbox": [round(gap.x), round(gap.y), round(gap.width), round(gap.height)],
                **area(gap.area_px),
            }
            for gap in coverage.gaps
        ],
    }
