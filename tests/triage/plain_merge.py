"""Merging as its rules read: every box against every other, one at a time, in plain Python."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from triage.merge import order_detections
from triage.records import Detections

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Seen:
    """One row of `Detections`; `row` is its place among the ordered ones, whose group it keeps."""

    row: int
    score: float
    box: Box
    ellipse: tuple[float, float, float, float, float]
    is_cut: bool


def merge_plainly(detections: Detections) -> list[Seen]:
    """What `triage.merge.merge_detections` leaves, best first."""
    rows = _to_rows(order_detections(detections))
    rows = [one for one in rows if not _is_clump(one, rows)]
    whole = _keep_distinct([one for one in rows if not one.is_cut])
    loose = [one for one in rows if one.is_cut and not any(_holds_cut(other, one) for other in whole)]
    both = whole + [_join(cluster) for cluster in _cluster(loose)]
    # Equal scores come in the order of their boxes.
    both.sort(key=lambda one: (-one.score, one.box[1], one.box[0], one.box[2], one.box[3], *one.ellipse))
    return _keep_distinct(both)


def _to_rows(ordered: Detections) -> list[Seen]:
    assert ordered.is_cut is not None
    columns = (ordered.scores, ordered.boxes_xyxy, ordered.ellipses, ordered.is_cut)
    return [
        Seen(row, score, tuple(box), tuple(ellipse), is_cut)
        for row, (score, box, ellipse, is_cut) in enumerate(
            zip(*(column.tolist() for column in columns), strict=True)
        )
    ]


def _keep_distinct(best_first: list[Seen]) -> list[Seen]:
    kept: list[Seen] = []
    for one in best_first:
        if not any(_hides(better, one) for better in kept):
            kept.append(one)
    return kept


def _hides(one: Seen, other: Seen) -> bool:
    return _is_same(one, other) or _holds_part(one, other)


def _is_same(one: Seen, other: Seen) -> bool:
    sides = sorted(math.sqrt(_area(each.box)) for each in (one, other))
    return (
        math.dist(_centre(one.box), _centre(other.box)) <= 0.5 * min(_width(one), _width(other))
        and sides[1] <= 2 * sides[0]
    )


def _holds_part(one: Seen, other: Seen) -> bool:
    if _area(other.box) >= 0.5 * _area(one.box) or _shared(one.box, other.box) < 0.8 * _area(other.box):
        return False
    cx, cy, length, width, angle = one.ellipse
    x, y = _centre(other.box)
    turn = math.radians(angle)
    along = (x - cx) * math.cos(turn) + (y - cy) * math.sin(turn)
    across = (y - cy) * math.cos(turn) - (x - cx) * math.sin(turn)
    return (2 * along / length) ** 2 + (2 * across / width) ** 2 <= 1


def _is_clump(one: Seen, rows: list[Seen]) -> bool:
    members = [
        other
        for other in rows
        if _area(other.box) < 0.7 * _area(one.box)
        and _shared(one.box, other.box) >= 0.8 * _area(other.box)
        and other.score >= 0.7 * one.score
        and not other.is_cut
    ]
    members = _keep_distinct(members)
    return len(members) >= 2 and sum(_area(other.box) for other in members) >= 0.55 * _area(one.box)


def _holds_cut(whole: Seen, piece: Seen) -> bool:
    is_near = math.dist(_centre(whole.box), _centre(piece.box)) <= _diagonal(whole.box) / 2
    return is_near and _shared(whole.box, piece.box) >= 0.7 * _area(piece.box)


def _cluster(pieces: list[Seen]) -> list[list[Seen]]:
    clusters: list[list[Seen]] = []
    for piece in pieces:
        home = next((each for each in clusters if _first_joined(piece, pieces) in each), None)
        if home is None:
            clusters.append([piece])
        else:
            home.append(piece)
    return clusters


def _first_joined(piece: Seen, pieces: list[Seen]) -> Seen | None:
    for other in pieces[: pieces.index(piece)]:
        smaller = min(_area(piece.box), _area(other.box))
        is_near = math.dist(_centre(piece.box), _centre(other.box)) <= _diagonal(piece.box)
        if is_near and _shared(piece.box, other.box) >= 0.35 * smaller:
            return other
    return None


def _join(cluster: list[Seen]) -> Seen:
    if len(cluster) == 1:
        return cluster[0]
    lefts, tops, rights, bottoms = zip(*(one.box for one in cluster), strict=True)
    box = min(lefts), min(tops), max(rights), max(bottoms)
    width, height = box[2] - box[0], box[3] - box[1]
    angle = 90.0 if height > width else 0.0
    return replace(
        cluster[0], box=box, ellipse=(*_centre(box), max(width, height), min(width, height), angle)
    )


def _centre(box: Box) -> tuple[float, float]:
    return (box[0] + box[2]) / 2, (box[1] + box[3]) / 2


def _diagonal(box: Box) -> float:
    return math.dist(box[:2], box[2:])


def _area(box: Box) -> float:
    return max(box[2] - box[0], 0.0) * max(box[3] - box[1], 0.0)


def _shared(one: Box, other: Box) -> float:
    return _area((max(one[0], other[0]), max(one[1], other[1]), min(one[2], other[2]), min(one[3], other[3])))


def _width(one: Seen) -> float:
    return min(one.ellipse[3], one.box[2] - one.box[0], one.box[3] - one.box[1])
