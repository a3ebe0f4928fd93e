"""Objects of one coverslip that several of its pictures show, and which pictures a count is made from.

A count per coverslip takes `find_shown_twice`, then `count_once`: no object counts twice because two fields
overlap, and a mosaic and the fields it was made of never both count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.settle import current_answer
from service.store import images, object_partings, reading, stitchings
from service.store.database import Session
from service.store.reading import Spoken
from triage.stitch.same import FieldObject, FieldPlace, find_same


@dataclass(frozen=True)
class ShownTwice:
    """What a count per coverslip has to know.

    Attributes
    ----------
    counted_image_ids : tuple of int
        Pictures that a count is made from, ascending.
    same : tuple of tuple of int
        Candidates of these pictures that are one object, each of two ids or more, ascending.
    """

    counted_image_ids: tuple[int, ...]
    same: tuple[tuple[int, ...], ...]


def find_shown_twice(session: Session, preparation_id: int) -> ShownTwice:
    """Which pictures of a preparation count, and which of their candidates are one object.

    Notes
    -----
    Where the pictures lie is taken from the preparation's stitchings, with a mosaic or without, the newest
    first; pictures that none has placed, in the mosaic or in a part beside it, are held to show different
    places. A mosaic counts, and its fields don't, once its candidates are there, unless a newer one that
    counts was made from any of its fields.
    """
    image_ids = images.list_image_ids(session, preparation_id)
    rows = [row for row in stitchings.list_stitchings(session, preparation_id) if row.state == "ready"]
    reports = [(row.image_id, row.report) for row in reversed(rows) if row.report is not None]
    mosaics = {image_id for image_id, _ in reports if image_id is not None}
    proposed = images.newest_proposals(session, sorted(mosaics))
    seen_mosaics: set[int] = set()
    covered: set[int] = set()
    for mosaic, report in reports:
        fields = {one["image_id"] for one in report["placed"]}
        if mosaic in proposed and not fields & covered:
            seen_mosaics.add(mosaic)
            covered |= fields
    counted = [one for one in image_ids if one not in covered and (one not in mosaics or one in seen_mosaics)]
    spoken = reading.list_spoken(session, counted)
    parted = object_partings.list_parted(session, preparation_id)
    same: list[tuple[int, ...]] = []
    left = set(counted)
    for _, report in reports:
        for placed in (report["placed"], *(part["placed"] for part in report.get("parts", ()))):
            places = _list_places(placed, report["field"])
            places = {number: place for number, place in places.items() if number in left}
            same += find_same(places, [_to_object(one) for one in spoken], parted=parted)
            left -= places.keys()
    return ShownTwice(tuple(counted), tuple(sorted(same)))


def count_once(spoken: Sequence[Spoken], shown: ShownTwice) -> list[Spoken]:
    """Those candidates that a count is made from: of the pictures that count, each object once.

    Notes
    -----
    Of one object's candidates the one that a person confirmed stays, then any that was answered, then the
    first.
    """
    counted = [one for one in spoken if one.candidate.image_id in set(shown.counted_image_ids)]
    by_id = {one.candidate.id: one for one in counted}
    dropped: set[int] = set()
    for same in shown.same:
        known = [number for number in same if number in by_id]
        if known:
            dropped |= set(known) - {min(known, key=lambda number: (_rate(by_id[number]), number))}
    return [one for one in counted if one.candidate.id not in dropped]


def _rate(spoken: Spoken) -> int:
    answer = current_answer(spoken)
    if answer is None:
        return 2
    return 0 if answer.answer == "confirm" else 1


def _list_places(placed: Sequence[dict[str, Any]], field: dict[str, Any]) -> dict[int, FieldPlace]:
    return {
        one["image_id"]: FieldPlace(one["x"], one["y"], one["turn_deg"], field["width"], field["height"])
        for one in placed
    }


def _to_object(spoken: Spoken) -> FieldObject:
    x, y, width, height = spoken.candidate.said["bbox"]
    return FieldObject(spoken.candidate.id, spoken.candidate.image_id, (x, y, x + width, y + height))
