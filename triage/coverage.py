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
_HEIGHTS = ("upper third", "middle of the height", "lower third")
# Of a picture's shorter side: smaller black places are things, not gaps (our choice).
_LEAST_PICTURE_GAP = 0.04


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
    edges = [0.0, *((a + b) / 2 for a, b in pairwise(passes_y)), float(shape_hw[0])]
    bands = [(f"pass {n + 1}", top, bottom) for n, (top, bottom) in enumerate(pairwise(edges))]
    cell_area = (shape_hw[0] / grid_hw[0]) * (shape_hw[1] / grid_hw[1])
    return Coverage(
        imaged_px=float(is_seen.sum() * cell_area),
        sharp_px=float(is_sharp.sum() * cell_area),
        unjudged_px=float((is_seen & ~is_judged).sum() * cell_area),
        passes=len(passes_y),
        gaps=_find_gaps(~is_seen, bands, cell_px, _LEAST_GAP * min(fields[0].width, fields[0].height)),
    )


def measure_picture(
    is_seen: NDArray[np.bool_], is_under: NDArray[np.bool_], parts: Sequence[FieldArea], cell_px: float
) -> Coverage:
    """Areas and gaps of one picture of the coverslip.

    Parameters
    ----------
    is_seen : ndarray of shape (h, w)
        Where a reduced copy shows anything.
    is_under : ndarray of shape (h, w)
        What of it lies under the coverslip.
    parts : sequence of FieldArea
        Parts of the picture with their focus.
    cell_px : float
        Pixels of the picture to one of the copy.

    Returns
    -------
    coverage : Coverage
        Of what lies under the coverslip alone; `passes` is 0, gaps are named by thirds of the height.
    """
    is_imaged = is_seen & is_under
    is_sharp = _draw([one for one in parts if one.is_sharp], is_seen.shape, cell_px)
    is_judged = _draw([one for one in parts if one.is_sharp is not None], is_seen.shape, cell_px)
    edges = np.linspace(0, is_seen.shape[0] * cell_px, len(_HEIGHTS) + 1).tolist()
    bands = [(name, top, bottom) for name, (top, bottom) in zip(_HEIGHTS, pairwise(edges), strict=True)]
    least_px = _LEAST_PICTURE_GAP * min(is_seen.shape) * cell_px
    return Coverage(
        imaged_px=float(is_imaged.sum() * cell_px**2),
        sharp_px=float((is_imaged & is_sharp).sum() * cell_px**2),
        unjudged_px=float((is_imaged & ~is_judged).sum() * cell_px**2),
        passes=0,
        gaps=_find_gaps(is_under & ~is_seen, bands, cell_px, least_px),
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
    is_gap: NDArray[np.bool_], bands: Sequence[tuple[str, float, float]], cell_px: float, least_px: float
) -> tuple[Gap, ...]:
    """Gaps in each band, which has a name, a top and a lower edge in pixels."""
    least = max(1, round(least_px / cell_px))
    kernel = np.ones((least, least), np.uint8)
    # A gap may touch the rim of the scan, but what lies beyond it makes no seam along it wider.
    padded = np.pad(is_gap.astype(np.uint8), least)
    wide = cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)[least:-least, least:-least]
    if not wide.any():
        # Looking for connected parts takes longer than all else here.
        return ()
    gaps = []
    for band_name, top, bottom in bands:
        band = wide.copy()
        band[: round(top / cell_px)] = 0
        band[round(bottom / cell_px) :] = 0
        n, _, stats, _ = cv2.connectedComponentsWithStats(band, connectivity=4)
        for x, y, width, height, area in stats[1:n].tolist():
            if min(width, height) < least:
                continue
            name = f"{band_name}, {_name_across(x, width, is_gap.shape[1])}"
            gaps.append(
                Gap(x * cell_px, y * cell_px, width * cell_px, height * cell_px, area * cell_px**2, name)
            )
    return tuple(gaps)


def _name_across(x: int, width: int, columns: int) -> str:
    if width > _WHOLE_WIDTH * columns:
        return "whole width" if width > 0.95 * columns else "most of it"
    return _THIRDS[min(2, int(3 * (x + width / 2) / columns))]


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
    coverage: Coverage,
    *,
    um_per_px: float | None,
    coverslip_mm: float | None,
    outlined_px: float | None = None,
) -> dict[str, Any]:
    """Areas in mm2 and as shares of the coverslip, and the gaps in pixels of the mosaic.

    Parameters
    ----------
    coverage : Coverage
    um_per_px : float or None
        None: areas are unknown.
    coverslip_mm : float or None
        Side of the square coverslip; None: shares are unknown.
    outlined_px : float, optional
        Area of the coverslip where its whole outline was seen; shares are then of it.

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
    if outlined_px is not None and mm2_a_px is not None:
        whole_mm2 = outlined_px * mm2_a_px

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
