"""How much of the coverslip one picture shows: its area under the coverslip, in focus, and the gaps."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.coverage import FieldArea, coverage_to_json, measure_picture
from triage.coverslip_edge import LEAST_SEEN_MM, CoverslipOutline, find_outline
from triage.illumination import LEAST_GREY
from triage.images import Picture, to_grey
from triage.sharpness import Focus

_OVERVIEW_PX = 1024
_NO_SCALE = "Without a scale no coverslip is looked for and areas are unknown."
_NO_EDGE = "No edge of the coverslip is seen in this picture; all of it is taken to lie under the coverslip."
_TOO_SMALL = (
    f"The picture shows less than {LEAST_SEEN_MM:g} mm, so no edge of the coverslip is looked for; all of it "
    "is taken to lie under the coverslip."
)
_PART = (
    "{} of the coverslip is seen. What lies beyond, away from the middle of the picture, isn't counted; how "
    "large the coverslip is can't be told from this picture."
)
_WHOLE = "The whole outline of the coverslip is seen; shares are of its area."


def describe_seen(picture: Picture, um_per_px: float | None, focus: Focus | None) -> dict[str, Any]:
    """Areas, gaps and the outline of the coverslip as plain values for JSON.

    Parameters
    ----------
    picture : Picture
    um_per_px : float or None
        Its scale; None: areas are unknown.
    focus : Focus or None
        With the cells of the picture; None where nothing stands out to judge focus by.

    Returns
    -------
    seen : dict
        As `coverage_to_json` gives it, with `parts` (boxes of the picture with `in_focus` true, false or
        null), `outline` (null, or its shape, edges, points and area) and `outline_note`, one sentence.
    """
    grey = np.rint(to_grey(picture.read_overview(_OVERVIEW_PX))).astype(np.uint8)
    cell_px = picture.width / grey.shape[1]
    outline = None if um_per_px is None else find_outline(grey, um_per_px * cell_px / 1000)
    parts = [
        FieldArea(one.x, one.y, one.width, one.height, one.is_sharp) for one in (focus.cells if focus else ())
    ]
    coverage = measure_picture(_find_lit(grey), _draw_under(outline, grey.shape), parts, cell_px)
    across_mm = None if um_per_px is None else max(picture.width, picture.height) * um_per_px / 1000
    outlined_px = outline.area_px * cell_px**2 if outline is not None and outline.is_whole else None
    values = coverage_to_json(coverage, um_per_px=um_per_px, coverslip_mm=None, outlined_px=outlined_px)
    del values["passes"], values["coverslip_mm"]
    return values | {
        "parts": [
            {"bbox": [round(v) for v in (one.x, one.y, one.width, one.height)], "in_focus": one.is_sharp}
            for one in parts
        ],
        "outline": _outline_to_json(outline, cell_px, um_per_px),
        "outline_note": _describe(outline, across_mm),
    }


def _find_lit(grey: NDArray[np.uint8]) -> NDArray[np.bool_]:
    return grey >= LEAST_GREY


def _draw_under(outline: CoverslipOutline | None, shape_hw: tuple[int, ...]) -> NDArray[np.bool_]:
    """What lies under the coverslip; all of it where no edge is seen."""
    if outline is None:
        return np.ones(shape_hw, dtype=bool)
    drawn = np.zeros(shape_hw, np.uint8)
    cv2.fillPoly(drawn, [np.rint(outline.points_xy - 0.5).astype(np.int32)], 1)
    return drawn > 0


def _outline_to_json(
    outline: CoverslipOutline | None, cell_px: float, um_per_px: float | None
) -> dict[str, Any] | None:
    if outline is None or um_per_px is None:
        return None
    area_mm2 = outline.area_px * (cell_px * um_per_px / 1000) ** 2
    return {
        "shape": outline.shape,
        "is_whole": outline.is_whole,
        "edges": outline.n_edges,
        "points": np.round(outline.points_xy * cell_px, 1).tolist(),
        "area_mm2": round(area_mm2, 4),
    }


def _describe(outline: CoverslipOutline | None, across_mm: float | None) -> str:
    if across_mm is None:
        return _NO_SCALE
    if outline is None:
        return _NO_EDGE if across_mm >= LEAST_SEEN_MM else _TOO_SMALL
    if outline.is_whole:
        return _WHOLE
    if outline.shape == "round":
        return _PART.format("A part of the round edge")
    return _PART.format("One edge" if outline.n_edges == 1 else f"{outline.n_edges} edges")
