"""What a detector's record says of pictures like this one: which groups it finds too seldom there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from triage.groups import find_group
from triage.records import Adequacy, CodedNote

STATED_RECALL = 0.9
"""A group found less often than this is named (our choice)."""
LEAST_OBJECTS = 10
"""Strata of fewer objects say too little to name a group by (our choice)."""


_CURES = {
    "sharpness": ("sharpness", "Focus again, or go to 40x."),
    "contrast": ("contrast", "Set the light and the condenser again."),
    "evenness": ("evenness of light", "Centre the lamp and the condenser."),
}
_NO_CURE = "better light or focus would hardly help. Look for it with your own eyes, for small ones at 40x."


@dataclass(frozen=True)
class WeakGroup:
    """A group that was found too seldom in pictures like this one, on the slides that were judged.

    Attributes
    ----------
    group : str
    factor : str
        What of the picture it is: `sharpness`, `contrast` or `evenness`.
    value : float
        As measured of this picture.
    found, objects : int
        In the record's stratum.
    interval : tuple of float
        95 % interval of the share found.
    is_curable : bool
        Whether more of it was found where there was more of the factor.
    """

    group: str
    factor: str
    value: float
    found: int
    objects: int
    interval: tuple[float, float]
    is_curable: bool

    @property
    def recall(self) -> float:
        """Share found."""
        return self.found / self.objects


def find_weak_groups(
    scores: Mapping[str, Any],
    measured: Mapping[str, float],
    *,
    stated_recall: float = STATED_RECALL,
    least_objects: int = LEAST_OBJECTS,
) -> tuple[WeakGroup, ...]:
    """Groups of which the record's stratum of a picture like this shows less than the stated recall.

    Parameters
    ----------
    scores : mapping
        `scores` of a detector's record; without `strata` there is nothing to say.
    measured : mapping of str to float
        What was measured of the picture, by factor; see `to_measured`.
    stated_recall : float
    least_objects : int
        Smaller strata are passed over.

    Returns
    -------
    weak : tuple of WeakGroup
        Each group once, by the weakest factor that could be bettered, or the weakest of all; weakest group
        first.
    """
    rows = [row for row in scores.get("strata", {}).get("rows", ()) if row["objects"] >= least_objects]
    weakest: dict[str, WeakGroup] = {}
    for row in rows:
        if not _is_like(row, measured) or row["found"] >= stated_recall * row["objects"]:
            continue
        weak = _to_weak(row, measured[row["factor"]], rows)
        known = weakest.get(weak.group)
        if known is None or (not weak.is_curable, weak.recall) < (not known.is_curable, known.recall):
            weakest[weak.group] = weak
    return tuple(sorted(weakest.values(), key=lambda weak: (weak.recall, weak.group)))


def _is_like(row: Mapping[str, Any], measured: Mapping[str, float]) -> bool:
    """Whether a row is of one group in pictures like the one that was measured."""
    value = measured.get(row["factor"])
    if value is None or row["group"] is None or value < row["low"]:
        return False
    return row["high"] is None or value < row["high"]


def _to_weak(row: Mapping[str, Any], value: float, rows: Sequence[Mapping[str, Any]]) -> WeakGroup:
    share = row["found"] / row["objects"]
    same = [one for one in rows if (one["factor"], one["group"]) == (row["factor"], row["group"])]
    is_curable = any(one["low"] > row["low"] and one["found"] / one["objects"] > share for one in same)
    low, high = row["interval"]
    counts = row["found"], row["objects"]
    return WeakGroup(row["group"], row["factor"], value, *counts, (low, high), is_curable)


def to_measured(adequacy: Adequacy) -> dict[str, float]:
    """What was measured of a picture, under the names of the strata."""
    values: Sequence[tuple[str, Mapping[str, float | None] | None]] = (
        ("sharpness", adequacy.focus),
        ("contrast", adequacy.light),
        ("evenness", adequacy.light),
    )
    found = {name: where.get(name) for name, where in values if where is not None}
    return {name: float(value) for name, value in found.items() if value is not None}


def warn_of_weak_groups(scores: Mapping[str, Any], adequacy: Adequacy) -> tuple[CodedNote, ...]:
    """A note for each group that the detector finds too seldom in pictures like this one.

    Parameters
    ----------
    scores : mapping
        `scores` of a detector's record.
    adequacy : Adequacy
        What was measured of the picture.

    Returns
    -------
    notes : tuple of CodedNote
        None for groups that the picture can't show at all: that is said elsewhere.
    """
    weak = find_weak_groups(scores, to_measured(adequacy))
    return tuple(_to_note(one) for one in weak if one.group not in adequacy.groups_not_resolvable)


def _to_note(weak: WeakGroup) -> CodedNote:
    factor, cure = _CURES[weak.factor]
    low, high = weak.interval
    value = float(f"{weak.value:.2g}")
    found = f"{weak.found} of {weak.objects} were found ({low:.2f} to {high:.2f})"
    told = (
        f"In drawn pictures of like {factor} ({value:g}) {found}. {cure}"
        if weak.is_curable
        else f"In drawn pictures like this one {found}; {_NO_CURE}"
    )
    sentence = f"Assessed, but may be missed: {find_group(weak.group).label}. {told}"
    values: dict[str, float | str] = {
        "group": weak.group,
        "value": value,
        "found": weak.found,
        "objects": weak.objects,
        "low": round(low, 2),
        "high": round(high, 2),
    }
    return CodedNote(f"weak_{weak.factor if weak.is_curable else 'anyway'}", sentence, values)
