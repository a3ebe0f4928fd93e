"""What came of the hospitals experiment: one row a hospital and number of labels, as table and curves."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from training.bootstrap import bootstrap_interval, share_of_first
from training.label_plots import Series
from training.metrics import wilson_interval
from training.trials import FALSE_PER_SLIDE

OWN, FORGOTTEN = "own", "general"
"""Names of the sets judged on: other slides of the hospital, and drawn fields of all sorts."""


def summarise(results: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row for each hospital and number of labels, with intervals, and gains over the shipped detector."""
    by_name: dict[str, dict[int, dict[str, Any]]] = {}
    for result in results:
        by_name.setdefault(result["hospital"], {})[result["labels"]] = result
    rows = []
    for points in by_name.values():
        for point in (points[n] for n in sorted(points)):
            row = {key: point[key] for key in ("hospital", "labels", "marks")}
            for name, counts in point["judged"].items():
                row[name] = to_row(counts, points[0]["judged"][name] if 0 in points else None)
            rows.append(row | {key: point[key] for key in ("seconds_training", "seconds_judging")})
    return rows


def to_row(counts: dict[str, Any], shipped: dict[str, Any] | None) -> dict[str, Any]:
    """Recall of one detector on one set, and its gain over another on the same slides."""
    found, of = np.array(counts["found"], float), np.array(counts["of"], float)
    n_found, n_of = int(found.sum()), int(of.sum())
    row: dict[str, Any] = {
        "recall": n_found / max(n_of, 1),
        "found": n_found,
        "of": n_of,
        "wilson": wilson_interval(n_found, n_of),
        "by_slide": bootstrap_interval(np.stack([found, of], axis=1), share_of_first),
        "group_right": [counts["group_right"], n_found],
        "false_per_slide": counts["false"] / max(len(of), 1),
    }
    if shipped is not None:
        gained = np.stack([found - np.array(shipped["found"], float), of], axis=1)
        row["gain"] = float(gained[:, 0].sum() / max(n_of, 1))
        row["gain_by_slide"] = bootstrap_interval(gained, share_of_first)
    return row


def to_lines(rows: Sequence[dict[str, Any]]) -> list[str]:
    """The rows as a table for a person."""
    lines = [
        f"Recall at {FALSE_PER_SLIDE:g} false candidates a slide (Wilson 95 %), and gain over the shipped "
        "detector (95 %, drawing slides anew).",
        _to_columns(("hospital", "labels", "marks", "own slides", "gain", "general fields", "gain")),
    ]
    for row in rows:
        told = [tell(row[name]) for name in (OWN, FORGOTTEN) for tell in (_tell, _tell_gain)]
        lines.append(_to_columns((row["hospital"], row["labels"], row["marks"], *told)))
    return lines


def _to_columns(cells: Sequence[Any]) -> str:
    widths = (12, 7, 6, 28, 24, 28, 24)
    return " ".join(f"{cell:<{width}}" for cell, width in zip(cells, widths, strict=True)).rstrip()


def _tell(row: dict[str, Any]) -> str:
    low, high = row["wilson"]
    return f"{row['recall']:.3f} {row['found']}/{row['of']} ({low:.3f}-{high:.3f})"


def _tell_gain(row: dict[str, Any]) -> str:
    if row.get("gain_by_slide") is None:
        return ""
    low, high = row["gain_by_slide"]
    return f"{row['gain']:+.3f} ({low:+.3f} to {high:+.3f})"


def to_panels(rows: Sequence[dict[str, Any]]) -> dict[str, list[Series]]:
    """What is plotted: for each hospital its own slides and the general fields."""
    panels: dict[str, list[Series]] = {}
    for name in dict.fromkeys(row["hospital"] for row in rows):
        own = [row for row in rows if row["hospital"] == name]
        panels[name] = [
            Series(
                label,
                [row["labels"] for row in own],
                [row[key]["recall"] for row in own],
                [_to_interval(row[key]) for row in own],
            )
            for key, label in ((OWN, "other slides of its own"), (FORGOTTEN, "general drawn fields"))
        ]
    return panels


def _to_interval(row: dict[str, Any]) -> tuple[float, float]:
    """By drawing slides anew; Wilson's where that has no width, since all or nothing was found."""
    ends = row["by_slide"]
    low, high = row["wilson"] if ends is None or ends[0] == ends[1] else ends
    return float(low), float(high)
