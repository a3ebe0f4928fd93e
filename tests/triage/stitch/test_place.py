"""A pair that alone ties two parts of a scan is believed only where it is sure beside all that was tried."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from triage.stitch import grounds, place
from triage.stitch.fields import Fields, open_fields
from triage.stitch.parting import Parted
from triage.stitch.place import ORDERS, UNKNOWN, find_places
from triage.stitch.records import Pair
from triage.stitch.solve import Places

# Six fields in two rows: the left four hang together, the right two, and one pair ties both.
LEFT, RIGHT = {0, 1, 4, 5}, {2, 3}
TIE = (1, 2)


@pytest.fixture
def fields(cut_scan: Callable[..., Any], tmp_path: Path) -> tuple[Fields, np.ndarray]:
    scan = cut_scan(2, 3)
    return open_fields(scan.paths, tmp_path), scan.middle_xy


def match_within_parts(
    middle_xy: np.ndarray, *, tie_chance: float, tie_off_px: float
) -> Callable[..., Pair | None]:
    """Stands for the search at full size: right within a part, and off by so much between the parts."""

    def match(first: int, second: int, *_: Any, **__: Any) -> Pair | None:
        is_tie = (first, second) == TIE
        if not is_tie and not ({first, second} <= LEFT or {first, second} <= RIGHT):
            return None
        seen = np.array([(0.0, 0.0), (20.0, 5.0), (-8.0, 30.0)])
        shift = middle_xy[second] - middle_xy[first] + (tie_off_px if is_tie else 0.0)
        return Pair(first, second, seen, seen - shift, np.full(3, 0.9), tie_chance if is_tie else 1e-9)

    return match


def test_wrong_pair_that_alone_ties_two_parts_is_not_believed(
    fields: tuple[Fields, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened, middle_xy = fields
    monkeypatch.setattr(
        place, "match_overlap", match_within_parts(middle_xy, tie_chance=1.4e-3, tie_off_px=90)
    )
    places = find_places(opened, UNKNOWN).places
    assert len({int(places.group[n]) for n in LEFT}) == 1
    assert places.group[0] != places.group[2] == places.group[3]
    assert [(pair.first, pair.second) for pair in places.rejected] == [TIE]


def test_no_doubtful_pair_is_left_where_another_that_hid_it_was_dropped_last(
    fields: tuple[Fields, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened, middle_xy = fields
    match_one = match_within_parts(middle_xy, tie_chance=1.4e-3, tie_off_px=90)
    hidden = (3, 4)

    def match(first: int, second: int, *_: Any, **__: Any) -> Pair | None:
        if (first, second) != hidden:
            return match_one(first, second)
        seen = np.array([(0.0, 0.0), (30.0, 0.0)])
        return Pair(3, 4, seen, seen - (middle_xy[4] - middle_xy[3]) - 200.0, np.full(2, 0.9), 1.4e-3)

    monkeypatch.setattr(place, "_MOST_ROUNDS", 0)
    monkeypatch.setattr(place, "match_overlap", match)
    monkeypatch.setattr(grounds, "rate_elsewhere", lambda *_: -1.0)
    places = find_places(opened, UNKNOWN).places
    assert places.group[0] != places.group[2] == places.group[3]
    assert {(pair.first, pair.second) for pair in places.rejected} == {TIE, hidden}


def test_sure_pair_ties_two_parts_alone(
    fields: tuple[Fields, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened, middle_xy = fields
    monkeypatch.setattr(place, "match_overlap", match_within_parts(middle_xy, tie_chance=1e-6, tie_off_px=0))
    places = find_places(opened, UNKNOWN).places
    assert set(places.group.tolist()) == {0} and places.rejected == ()


@pytest.mark.parametrize(("deviations", "n_groups"), [(6.0, 1), (-1.0, 2)])
def test_weak_pair_ties_two_parts_where_the_rest_of_the_overlap_bears_it_out(
    fields: tuple[Fields, np.ndarray], monkeypatch: pytest.MonkeyPatch, deviations: float, n_groups: int
) -> None:
    opened, middle_xy = fields
    match = match_within_parts(middle_xy, tie_chance=1.4e-3, tie_off_px=0)
    monkeypatch.setattr(place, "match_overlap", match)
    monkeypatch.setattr(grounds, "rate_elsewhere", lambda *_: deviations)
    places = find_places(opened, UNKNOWN).places
    assert len(set(places.group.tolist())) == n_groups and len(places.rejected) == n_groups - 1


def test_tie_of_faint_texture_joins_two_parts_that_share_no_pair(
    fields: tuple[Fields, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened, middle_xy = fields
    match = match_within_parts(middle_xy, tie_chance=1e-9, tie_off_px=0)
    tie = match(*TIE)
    asked = []

    def find(_: Any, places: Any) -> list[Pair | None]:
        asked.append(places.group[1] != places.group[2])
        return [tie] if len(asked) == 1 else []

    monkeypatch.setattr(place, "match_overlap", lambda *some, **_: None if some[:2] == TIE else match(*some))
    monkeypatch.setattr(place.EdgeSearch, "find", find)
    places = find_places(opened, UNKNOWN).places
    assert set(places.group.tolist()) == {0} and asked[0]


def test_edges_are_tried_between_sure_parts_of_one_group_and_no_pair_is_taken_twice(
    fields: tuple[Fields, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened, middle_xy = fields
    match = match_within_parts(middle_xy, tie_chance=1e-9, tie_off_px=0)
    asked = []

    def part(places: Places) -> Parted:
        is_right = np.isin(np.arange(6), list(RIGHT))
        return Parted(replace(places, group=is_right.astype(np.int64)), np.zeros(6))

    def find(_: Any, places: Places) -> list[Pair | None]:
        asked.append(places.group.tolist())
        return [replace(match(*TIE), chance=0.5)]

    monkeypatch.setattr(place, "match_overlap", match)
    monkeypatch.setattr(place, "part_places", part)
    monkeypatch.setattr(place.EdgeSearch, "find", find)
    places = find_places(opened, UNKNOWN).places
    assert asked[0] == [0, 0, 1, 1, 0, 0] and set(places.group.tolist()) == {0}
    assert {pair.chance for pair in places.kept} == {1e-9}


@pytest.mark.parametrize("order", ORDERS)
def test_blank_field_is_compared_with_no_other(
    cut_scan: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, order: str
) -> None:
    compared: set[int] = set()
    find = place.ShiftSearch.find

    def watch(search: Any, first: int, second: int) -> Any:
        compared.update((first, second))
        return find(search, first, second)

    monkeypatch.setattr(place.ShiftSearch, "find", watch)
    scan = cut_scan(2, 3, blank=[4])
    places = find_places(open_fields(scan.paths, tmp_path), order).places
    assert compared == {0, 1, 2, 3, 5}
    assert len(set(np.delete(places.group, 4).tolist())) == 1
