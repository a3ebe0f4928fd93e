"""Practice reads: what became of each object and each find, and whether that is enough to read alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from triage.boxes import Floats, from_xywh, intersection_areas
from triage.groups import candidate_groups, find_group
from triage.match_finds import match_finds

RIGHT, OTHER_GROUP, MISSED, NOT_THERE, NOT_COUNTED = (
    "right",
    "other group",
    "missed",
    "nothing labelled there",
    "not counted",
)
_IGNORED_COVER = 0.5
"""A find that lies to this share in a region where labels are unsure counts neither way (our choice)."""
CURVE_WINDOW = 10
"""A learning curve shows the share right of so many objects at a time (our choice)."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Known:
    """A labelled object of a practice slide; `bbox_xywh` in pixels, sizes None where unknown."""

    bbox_xywh: Box
    group: str
    length_um: float | None = None
    width_um: float | None = None

    @property
    def is_wanted(self) -> bool:
        """Whether it is to be found; a look-alike is not."""
        return find_group(self.group).kind == "candidate"


@dataclass(frozen=True)
class Find:
    """A learner's box with the group or look-alike that it was given."""

    bbox_xywh: Box
    group: str


@dataclass(frozen=True)
class Outcome:
    """What became of one object or one find.

    Attributes
    ----------
    result : str
        `RIGHT`, `OTHER_GROUP`, `MISSED`, `NOT_THERE` or `NOT_COUNTED`.
    bbox_xywh : tuple of float
        Of the labelled object, or of the find where there is none.
    known : str or None
        The group or look-alike that it is.
    said : str or None
        What the learner called it.
    length_um, width_um : float or None
    """

    result: str
    bbox_xywh: Box
    known: str | None
    said: str | None
    length_um: float | None = None
    width_um: float | None = None

    @property
    def is_wanted(self) -> bool:
        """Whether it speaks of an object that was to be found."""
        return self.known is not None and find_group(self.known).kind == "candidate"

    @property
    def is_right(self) -> bool:
        """Whether it was found and called by its name."""
        return self.result == RIGHT


@dataclass(frozen=True)
class GroupStanding:
    """How far a learner has come in one group.

    Attributes
    ----------
    group : str
    n_seen : int
        Objects of the group that were on slides read so far.
    n_needed : int
        So many are asked for.
    n_right, n_recent : int
        Of the newest `n_needed` objects of the group and finds wrongly called so, those that were right.
    share_needed : float
    curve : tuple of (int, float)
        After so many objects, the share right of the last `CURVE_WINDOW`.
    """

    group: str
    n_seen: int
    n_needed: int
    n_right: int
    n_recent: int
    share_needed: float
    curve: tuple[tuple[int, float], ...]

    @property
    def is_enough(self) -> bool:
        """Whether enough objects were seen, and enough of them were right."""
        has_seen = self.n_seen >= self.n_needed
        return has_seen and self.n_right >= self.share_needed * self.n_recent - 1e-9


def judge_finds(finds: Sequence[Find], known: Sequence[Known], ignored_xywh: Sequence[Box]) -> list[Outcome]:
    """What became of every labelled object and every find, in the order of the objects, then of the finds.

    Notes
    -----
    A look-alike that was not boxed is nothing missed, and gives no outcome. A look-alike boxed under any
    look-alike's name is right: telling it from an egg is what counts.
    """
    pairs = {row: find for find, row in match_finds(_to_xyxy(finds), _to_xyxy(known))}
    judged = [
        _judge_known(one, finds[pairs[row]] if row in pairs else None)
        for row, one in enumerate(known)
        if row in pairs or one.is_wanted
    ]
    is_ignored = _lie_in(_to_xyxy(finds), from_xywh(ignored_xywh))
    alone = sorted({*range(len(finds))} - {*pairs.values()})
    return judged + [_judge_alone(finds[row], bool(is_ignored[row])) for row in alone]


def measure_standing(
    outcomes: Iterable[Outcome], available: Mapping[str, int], *, n_needed: int, share_needed: float
) -> list[GroupStanding]:
    """How far a learner has come in each group that slides are there for, in the order of the groups.

    Parameters
    ----------
    outcomes : iterable of Outcome
        Of first reads alone, oldest first; a second read of a slide is no longer blind.
    available : mapping of str to int
        Objects of each group on all practice slides; no more than that can be asked for.
    n_needed : int
        Objects of each group, at least.
    share_needed : float
        Share of them right, 0 to 1.
    """
    outcomes = list(outcomes)
    return [
        _measure_group(outcomes, group, min(n_needed, available[group]), share_needed)
        for group in candidate_groups()
        if available.get(group)
    ]


def _measure_group(
    outcomes: Sequence[Outcome], group: str, n_needed: int, share_needed: float
) -> GroupStanding:
    # An object of the group, or a find wrongly called so: calling everything an egg must not help.
    tries = [
        one.is_right
        for one in outcomes
        if one.known == group or (one.said == group and one.result in (OTHER_GROUP, NOT_THERE))
    ]
    recent = tries[-n_needed:] if n_needed else []
    curve = tuple(
        (end, float(np.mean(tries[max(0, end - CURVE_WINDOW) : end]))) for end in range(1, len(tries) + 1)
    )
    return GroupStanding(
        group=group,
        n_seen=sum(one.known == group for one in outcomes),
        n_needed=n_needed,
        n_right=sum(recent),
        n_recent=len(recent),
        share_needed=share_needed,
        curve=curve,
    )


def _judge_known(known: Known, find: Find | None) -> Outcome:
    values: dict[str, Any] = {
        "bbox_xywh": known.bbox_xywh,
        "known": known.group,
        "length_um": known.length_um,
        "width_um": known.width_um,
    }
    if find is None:
        return Outcome(MISSED, said=None, **values)
    both_look_alikes = not known.is_wanted and find_group(find.group).kind == "look_alike"
    is_right = find.group == known.group or both_look_alikes
    return Outcome(RIGHT if is_right else OTHER_GROUP, said=find.group, **values)


def _judge_alone(find: Find, is_ignored: bool) -> Outcome:
    # A look-alike where nothing is labelled claims nothing that would have to be there.
    counts = not is_ignored and find_group(find.group).kind == "candidate"
    return Outcome(NOT_THERE if counts else NOT_COUNTED, find.bbox_xywh, known=None, said=find.group)


def _lie_in(boxes_xyxy: Floats, regions_xyxy: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    areas = (boxes_xyxy[:, 2] - boxes_xyxy[:, 0]) * (boxes_xyxy[:, 3] - boxes_xyxy[:, 1])
    covered = intersection_areas(boxes_xyxy, regions_xyxy).max(axis=1, initial=0.0)
    return np.asarray(covered >= _IGNORED_COVER * np.maximum(areas, 1e-9))


def _to_xyxy(boxed: Sequence[Known] | Sequence[Find]) -> Floats:
    return from_xywh([one.bbox_xywh for one in boxed])
