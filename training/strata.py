"""Recall and group accuracy by what makes objects hard: one table, each figure with its interval.

Rows are read again by `triage.strata`, which says what a picture of this focus or light would lose.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from training.evaluate import Judged
from training.metrics import wilson_interval
from triage.groups import candidate_groups

BINS: dict[str, tuple[float, ...]] = {
    "density": (0.0, 5.0, 15.0, 30.0, math.inf),
    "focus_depths": (0.0, 0.5, 1.0, 2.0, 4.0, math.inf),
    "occluded": (0.0, 0.02, 0.15, 0.3, 1.0),
    "debris_cover": (0.0, 0.05, 0.2, 0.5, 1.0),
    "light_level": (0.0, 0.4, 0.6, 0.8, math.inf),
    "light_unevenness": (0.0, 0.1, 0.25, 0.5, math.inf),
    "width_px": (0.0, 12.0, 20.0, 40.0, 80.0, math.inf),
    "sharpness": (0.0, 0.28, 0.4, 0.6, 1.0, math.inf),
    "contrast": (0.0, 30.0, 60.0, 100.0, math.inf),
    "evenness": (0.0, 0.5, 0.7, 0.85, 1.01),
}
"""Edges of the strata: objects in a megapixel; depths of field out of focus; share hidden; share covered;
median light, 1 full; lamp at its brightest over its darkest, less 1; width in pixels of the picture; and, as
`triage` measures them of the picture, sharpness, contrast and evenness of the light."""
MEASURED = ("sharpness", "contrast", "evenness")
"""What can be measured of a reader's own picture; these, and the width, are split by group as well."""
_SPLIT_BY_GROUP = (*MEASURED, "width_px", "focus_depths")


@dataclass(frozen=True)
class JudgedObject:
    """One object that was to be found: its circumstances, and what became of it."""

    group: str
    facts: dict[str, float]
    is_found: bool
    is_group_right: bool


def list_objects(judged: Iterable[Judged], default_cut: float) -> list[JudgedObject]:
    """Every object that was to be found, with what is known of how hard it was."""
    return [
        _describe(one, index, default_cut) for one in judged for index in range(len(one.truth.boxes_xyxy))
    ]


def _describe(one: Judged, index: int, default_cut: float) -> JudgedObject:
    marked = one.marked.list_wanted()[index]
    rows = np.flatnonzero((one.matches.objects == index) & (one.matches.scores >= default_cut))
    x1, y1, x2, y2 = marked.box_xyxy
    facts = {
        **one.marked.facts,
        **one.measured,
        **marked.facts,
        "width_px": marked.ellipse[3] if marked.ellipse else min(x2 - x1, y2 - y1),
    }
    # The picture's own contrast, as measured; an object's, as drawn, has another meaning.
    facts.pop("contrast", None)
    if "contrast" in one.measured:
        facts["contrast"] = one.measured["contrast"]
    area_mpx = one.marked.facts.get("width", 0.0) * one.marked.facts.get("height", 0.0) / 1e6
    if area_mpx > 0:
        names = candidate_groups()
        facts["density"] = sum(each.group in names for each in one.marked.objects) / area_mpx
    return JudgedObject(
        marked.group,
        facts,
        is_found=len(rows) > 0,
        is_group_right=len(rows) > 0 and one.candidates[rows[0]].group == marked.group,
    )


def tabulate(objects: Sequence[JudgedObject]) -> list[dict[str, Any]]:
    """One row a stratum that holds an object: by group, by each circumstance, and some by both.

    Returns
    -------
    rows : list of dict
        `factor`, `low`, `high` (None: no bound), `group` (None: all), `objects`, `found`, `recall`,
        `interval`, `group_right`, `group_right_interval` (of those found).
    """
    rows = [_row("all", None, None, None, objects)]
    rows += [_row("group", None, None, name, _of_group(objects, name)) for name in candidate_groups()]
    for factor, edges in BINS.items():
        for low, high in pairwise(edges):
            inside = [one for one in objects if _is_inside(one, factor, low, high)]
            rows.append(_row(factor, low, high, None, inside))
            if factor in _SPLIT_BY_GROUP:
                rows += [
                    _row(factor, low, high, name, _of_group(inside, name)) for name in candidate_groups()
                ]
    return [row for row in rows if row["objects"]]


def _of_group(objects: Sequence[JudgedObject], name: str) -> list[JudgedObject]:
    return [one for one in objects if one.group == name]


def _is_inside(one: JudgedObject, factor: str, low: float, high: float) -> bool:
    """A stratum owns its lower edge; the last one of shares its upper edge too."""
    value = one.facts.get(factor)
    if value is None:
        return False
    # Sums of rounded shares may end a hair outside.
    value = max(value, 0.0)
    return low <= value < high or (high == 1.0 and value >= 1.0 and BINS[factor][-1] == 1.0)


def _row(
    factor: str, low: float | None, high: float | None, group: str | None, objects: Sequence[JudgedObject]
) -> dict[str, Any]:
    n_found = sum(one.is_found for one in objects)
    n_right = sum(one.is_group_right for one in objects)
    return {
        "factor": factor,
        "low": low,
        "high": None if high is None or math.isinf(high) else high,
        "group": group,
        "objects": len(objects),
        "found": n_found,
        "recall": round(n_found / max(len(objects), 1), 4),
        "interval": _rounded(wilson_interval(n_found, len(objects))),
        "group_right": n_right,
        "group_right_interval": _rounded(wilson_interval(n_right, n_found)),
    }


def _rounded(interval: tuple[float, float]) -> list[float]:
    return [round(end, 4) for end in interval]


def strata_to_text(rows: Sequence[dict[str, Any]], *, is_kept: Callable[[dict[str, Any]], bool]) -> str:
    """The chosen rows as a table for a person."""
    lines = [f"{'stratum':34}{'objects':>8}{'recall':>8}  {'95 % interval':15}{'group right':>12}"]
    for row in filter(is_kept, rows):
        low, high = row["interval"]
        share = row["group_right"] / row["found"] if row["found"] else 0.0
        lines.append(
            f"{name_stratum(row):34}{row['objects']:8d}{row['recall']:8.3f}  "
            f"{low:.3f} to {high:.3f} {share:12.3f}"
        )
    return "\n".join(lines)


def name_stratum(row: dict[str, Any]) -> str:
    """Factor, bounds and group of a row, in words."""
    parts = [] if row["factor"] in ("all", "group") else [row["factor"].replace("_", " ")]
    if row["low"] is not None:
        parts.append(
            f"{row['low']:g} and more" if row["high"] is None else f"{row['low']:g} to {row['high']:g}"
        )
    if row["group"] is not None:
        parts.append(row["group"])
    return " ".join(parts) or "all objects"
