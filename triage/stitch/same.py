"""Objects that two overlapping fields both show, so that each counts once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

# Boxes of one object differ by what of it a detector saw in each field; our choice, as for tiles.
_MOST_APART_SHARE = 0.35
_MOST_SIZE_RATIO = 1.8
# Fields are placed to within this (`triage.stitch.parting.MOST_SD_PX`, three times).
_PLACE_PX = 3.0


@dataclass(frozen=True)
class FieldPlace:
    """Where a field lies: unturned corner in a common frame, turn and size, in pixels and degrees."""

    x: float
    y: float
    turn_deg: float
    width: float
    height: float

    def carry(self, x: float, y: float) -> tuple[float, float]:
        """A point of the field in the common frame."""
        turn, from_x, from_y = math.radians(self.turn_deg), x - self.width / 2, y - self.height / 2
        cos, sin = math.cos(turn), math.sin(turn)
        return (
            self.x + self.width / 2 + from_x * cos - from_y * sin,
            self.y + self.height / 2 + from_x * sin + from_y * cos,
        )


@dataclass(frozen=True)
class FieldObject:
    """An object's box in its field: `box_xyxy` in pixels of the field."""

    number: int
    field: int
    box_xyxy: tuple[float, float, float, float]

    @property
    def side_px(self) -> float:
        """Longer side of the box."""
        x1, y1, x2, y2 = self.box_xyxy
        return max(x2 - x1, y2 - y1)


def find_same(
    places: Mapping[int, FieldPlace],
    objects: Sequence[FieldObject],
    *,
    parted: frozenset[tuple[int, int]] = frozenset(),
) -> list[tuple[int, ...]]:
    """Numbers of the objects that are one and the same, seen in two or more fields.

    Parameters
    ----------
    places : mapping of int to FieldPlace
        By field. Objects of other fields are left alone.
    objects : sequence of FieldObject
    parted : frozenset of tuple of int
        Numbers, the smaller first, that a person holds for two objects; they are never put together, nor
        through a third.

    Returns
    -------
    same : list of tuple of int
        Each of two numbers or more, ascending; sorted.

    Notes
    -----
    The nearest are put together first. Two objects of one field are never one, so that a clump seen twice
    stays as many objects as it has in one field.
    """
    placed = [one for one in objects if one.field in places]
    middle_xy = {one.number: places[one.field].carry(*_middle(one)) for one in placed}
    near = []
    for one, other in combinations(sorted(placed, key=lambda each: each.number), 2):
        if one.field == other.field or not _are_alike(one, other):
            continue
        apart = math.dist(middle_xy[one.number], middle_xy[other.number])
        if apart <= _PLACE_PX + _MOST_APART_SHARE * min(one.side_px, other.side_px):
            near.append((apart, one.number, other.number))
    field_of = {one.number: one.field for one in placed}
    together = {number: {number} for number in field_of}
    for _, first, second in sorted(near):
        ours, theirs = together[first], together[second]
        if ours is theirs or {field_of[n] for n in ours} & {field_of[n] for n in theirs}:
            continue
        if any((min(a, b), max(a, b)) in parted for a in ours for b in theirs):
            continue
        ours |= theirs
        for number in theirs:
            together[number] = ours
    return sorted({tuple(sorted(each)) for each in together.values() if len(each) > 1})


def _middle(one: FieldObject) -> tuple[float, float]:
    x1, y1, x2, y2 = one.box_xyxy
    return (x1 + x2) / 2, (y1 + y2) / 2


def _are_alike(one: FieldObject, other: FieldObject) -> bool:
    small, large = sorted((one.side_px, other.side_px))
    return large <= _MOST_SIZE_RATIO * small
