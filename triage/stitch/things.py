"""What makes two fields a pair: something of its own kind, or one plain thing that others may look like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial.distance import cdist, pdist

from triage.stitch.records import Pair
from triage.stitch.solve import Places
from triage.stitch.stiff import rotate

# Things are told apart in copies reduced by this.
_REDUCED = 4
# What stands out by less grey levels than this, or than so many deviations of the grain, has no outline.
_LEAST_STEP = 5.0
_GRAINS = 4.0
_JOIN_PX = 3
# What is broader is the lamp, not the slide.
_BROAD_PX = 48.0
# Over patches of this side empty glass spreads by up to 3.5 deviations of the grain, with what is left of
# dust on the sensor; fields that could be tied by 21 and more (20 x 20 drawn fields).
_BARE_SIDE_PX = 20
_BARE_GRAINS = 4.5
_LEAST_BARE_SPREAD = 0.6
_MOST_TESTED = 6
_PATCH_PX = 72
# Places farther apart than this share of a field's shorter side lie on no one thing: a large air bubble drawn
# three times made two wrong pairs at 0.58 (20 x 20 drawn fields).
_WIDEST_THING = 0.7
# Half the largest patch that places are found by, and a little more.
_REACH_PX = 40
_LEAST_SPREAD = 2.0
_TURNS_DEG = (20.0, 45.0, 90.0, 180.0)
_AROUND_PX = 64
# Turned, a place of its own kind is by this much less like anything around it (our choice).
_LEAST_LOSS = 0.15
_LEAST_DISTINCT = 2


@dataclass(frozen=True)
class Evidence:
    """What a pair rests on.

    Attributes
    ----------
    first_things, second_things : frozenset of int
        Numbers of the things on each field that its places lie on.
    is_single : bool
        Whether that is one plain thing alone, of which there may be more: turned or mirrored it looks the
        same, as air bubbles, eggs and threads do.
    """

    first_things: frozenset[int]
    second_things: frozenset[int]
    is_single: bool


def label_things(grey: NDArray[np.float32], grain: float) -> NDArray[np.int32]:
    """Number of the thing at each place of a reduced copy; 0 where nothing stands out.

    Parameters
    ----------
    grey : ndarray of shape (H, W)
        Under even light.
    grain : float
        Deviation of the grain.
    """
    height, width = grey.shape
    size_wh = (max(1, width // _REDUCED), max(1, height // _REDUCED))
    small = cv2.resize(grey, size_wh, interpolation=cv2.INTER_AREA)
    step = np.abs(small - np.median(small))
    is_thing = (step > max(_LEAST_STEP, _GRAINS * grain)).astype(np.uint8)
    joined = cv2.morphologyEx(is_thing, cv2.MORPH_CLOSE, np.ones((_JOIN_PX, _JOIN_PX), np.uint8))
    labels: NDArray[np.int32] = cv2.connectedComponents(joined, connectivity=8)[1].astype(np.int32)
    return labels


def find_marked(
    things: frozenset[int], labels: NDArray[np.int32], shape_hw: tuple[int, ...]
) -> NDArray[np.bool_]:
    """Where these things lie on a field of this shape."""
    marked = np.isin(labels, [thing for thing in things if thing]).astype(np.uint8)
    whole = cv2.resize(marked, (shape_hw[1], shape_hw[0]), interpolation=cv2.INTER_NEAREST)
    return np.asarray(whole, dtype=np.bool_)


def is_bare(grey: NDArray[np.float32], grain: float) -> bool:
    """Whether nothing on a field stands out enough to tie it to another.

    Parameters
    ----------
    grey : ndarray of shape (H, W)
        Under even light.
    grain : float
        Deviation of the grain.
    """
    small = cv2.resize(grey, None, fx=1 / _REDUCED, fy=1 / _REDUCED, interpolation=cv2.INTER_AREA)
    broad = cv2.GaussianBlur(small, (0, 0), _BROAD_PX / _REDUCED)
    fine = grey - cv2.resize(broad, grey.shape[::-1], interpolation=cv2.INTER_LINEAR)
    size = (_BARE_SIDE_PX, _BARE_SIDE_PX)
    variance = cv2.boxFilter(fine**2, -1, size) - cv2.boxFilter(fine, -1, size) ** 2
    spread = np.sqrt(max(0.0, float(variance.max())))
    return bool(spread < max(_LEAST_BARE_SPREAD, _BARE_GRAINS * grain))


def weigh_pair(
    pair: Pair,
    ours: NDArray[np.float32],
    ours_things: NDArray[np.int32],
    theirs_things: NDArray[np.int32],
) -> Evidence:
    """What a pair rests on.

    Parameters
    ----------
    pair : Pair
    ours : ndarray of shape (H, W)
        Grey values of its first field.
    ours_things, theirs_things : ndarray of shape (h, w)
        From `label_things`.
    """
    first = _find_things(pair.first_xy, ours_things, ours.shape)
    second = _find_things(pair.second_xy, theirs_things, ours.shape)
    is_one_thing = min(len(first), len(second)) == 1
    is_small = pdist(pair.first_xy).max(initial=0.0) <= _WIDEST_THING * min(ours.shape)
    return Evidence(first, second, bool(is_one_thing and is_small and _is_plain(pair, ours)))


def _is_plain(pair: Pair, ours: NDArray[np.float32]) -> bool:
    """Whether fewer than two of its places would be lost if one of the fields were turned."""
    best = np.argsort(-pair.likeness, kind="stable")[:_MOST_TESTED]
    lost = (
        _measure_turned(ours, pair.first_xy[place]) < pair.likeness[place] - _LEAST_LOSS
        for place in best.tolist()
    )
    return bool(sum(lost) < _LEAST_DISTINCT)


def _find_things(
    places_xy: NDArray[np.float64], labels: NDArray[np.int32], shape_hw: tuple[int, ...]
) -> frozenset[int]:
    """The largest thing within reach of each place; 0 where none of them has any."""
    reach = _REACH_PX // _REDUCED
    found = set()
    for place in places_xy + np.array(shape_hw[::-1]) / 2:
        x, y = (place / _REDUCED).astype(int).tolist()
        around = labels[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
        counts = np.bincount(around.ravel(), minlength=1)
        counts[0] = 0
        if counts.any():
            found.add(int(counts.argmax()))
    return frozenset(found or {0})


def _measure_turned(ours: NDArray[np.float32], place_xy: NDArray[np.float64]) -> float:
    """How alike what lies at a place, turned, is to anything around it; 1 where there is little to turn."""
    height, width = ours.shape
    half = min(_PATCH_PX, *ours.shape) // 2
    x = int(np.clip(place_xy[0] + width / 2, half, width - half))
    y = int(np.clip(place_xy[1] + height / 2, half, height - half))
    patch = ours[y - half : y + half, x - half : x + half]
    reach = half + _AROUND_PX
    around = ours[max(0, y - reach) : y + reach, max(0, x - reach) : x + reach]
    best = 0.0
    inner = round(half * (1 - np.sqrt(0.5)))
    for turn_deg in _TURNS_DEG:
        rotation = cv2.getRotationMatrix2D((half - 0.5, half - 0.5), turn_deg, 1.0)
        turned = cv2.warpAffine(patch, rotation, (2 * half, 2 * half))[inner:-inner, inner:-inner]
        if turned.std() < _LEAST_SPREAD:
            return 1.0
        likeness = cv2.matchTemplate(around, np.ascontiguousarray(turned), cv2.TM_CCOEFF_NORMED)
        best = max(best, float(likeness.max()))
    return best


def find_hanging(places: Places, evidence: Sequence[Evidence]) -> list[int]:
    """Which of the pairs kept tie parts by way of one plain thing alone.

    Parameters
    ----------
    places : Places
    evidence : sequence of Evidence
        Of each pair kept.

    Notes
    -----
    Several pairs may rest on the same thing: two fields that show one air bubble, and two others that show
    another of the same size, make four pairs that confirm each other and are all wrong. Therefore fields are
    tied to things, and pairs count as confirmed only where their fields hang together without their thing.
    """
    n, pairs = len(places.group), places.kept
    thing_of = _name_things(places, evidence)
    direct = [(pair.first, pair.second) for row, pair in enumerate(pairs) if row not in thing_of]
    by_thing = [
        (field, n + of) for row, of in thing_of.items() for field in (pairs[row].first, pairs[row].second)
    ]
    hanging = []
    for thing in sorted(set(thing_of.values())):
        links = direct + [link for link in by_thing if link[1] != n + thing]
        part = _find_parts(n + len(pairs), links)
        hanging += [
            row
            for row, other in thing_of.items()
            if other == thing and part[pairs[row].first] != part[pairs[row].second]
        ]
    return sorted(hanging)


def _name_things(places: Places, evidence: Sequence[Evidence]) -> dict[int, int]:
    """Number of the thing that each pair with but one rests on, the same for pairs that rest on the same.

    It is the same where it is the same on one of the fields, or lies at the same place of the mosaic.
    """
    single = [row for row, one in enumerate(evidence) if one.is_single]
    seen = {row: _list_seen(places.kept[row], evidence[row]) for row in single}
    lies_at = {row: _lay(places, places.kept[row]) for row in single}
    group = {row: places.group[places.kept[row].first] for row in single}
    links = [
        (one, other)
        for one, other in combinations(single, 2)
        if seen[one] & seen[other]
        or (group[one] == group[other] and cdist(lies_at[one], lies_at[other]).min() <= _REACH_PX)
    ]
    part = _find_parts(len(evidence), links)
    return {row: int(part[row]) for row in single}


def _list_seen(pair: Pair, evidence: Evidence) -> set[tuple[int, int]]:
    """Fields with numbers of the things on them."""
    first, second = evidence.first_things, evidence.second_things
    return {(pair.first, one) for one in first} | {(pair.second, one) for one in second}


def _lay(places: Places, pair: Pair) -> NDArray[np.float64]:
    """Where in its group's frame the places of a pair lie, shape (M, 2)."""
    rotation = rotate(float(places.turn_rad[pair.first]))
    laid: NDArray[np.float64] = places.middle_xy[pair.first] + pair.first_xy @ rotation.T
    return laid


def _find_parts(n: int, links: Sequence[tuple[int, int]]) -> NDArray[np.int64]:
    ends = np.array(links, dtype=np.int64).reshape(-1, 2)
    graph = csr_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(n, n))
    parts: NDArray[np.int64] = connected_components(graph, directed=False)[1].astype(np.int64)
    return parts
