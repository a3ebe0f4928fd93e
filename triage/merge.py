"""Joins one object seen in two tiles, or at two scales, into one box; never two objects into one."""

from __future__ import annotations

from itertools import chain, pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from triage.boxes import box_areas
from triage.records import Detections

Floats = NDArray[np.float64]

# Two outlines that only touch have their centres a whole width apart whatever their tilt, so half a width
# can't join neighbours, while two views of one object lie within a few pixels of each other.
_SAME_CENTRE_WIDTHS = 0.5
_SAME_SIDE_RATIO = 2.0
# Share of a smaller box that must lie inside a better one to count as a part of it.
_PART_SHARE = 0.8
# Share of a box cut by a tile's edge that must lie inside a whole one to be the same object.
_CUT_SHARE = 0.7
# Least overlap, as a share of the smaller, of two cut pieces that together are one object.
_PIECE_SHARE = 0.35
# A box is a clump when two or more others inside it, not much worse, fill this share of it.
_CLUMP_SHARE = 0.55
_CLUMP_SCORE_SHARE = 0.7
# Neighbours come as lists of numbers, which take several times the memory of an array.
_ASKED_AT_ONCE = 20_000


def empty_detections(n_groups: int) -> Detections:
    """No detections at all, with the right shapes."""
    return Detections(
        boxes_xyxy=np.zeros((0, 4)),
        scores=np.zeros(0),
        group_scores=np.zeros((0, n_groups)),
        ellipses=np.zeros((0, 5)),
        is_cut=np.zeros(0, dtype=np.bool_),
        factors=np.zeros(0),
    )


def join_detections(parts: list[Detections], n_groups: int) -> Detections:
    """All rows of several `Detections` of the same frame, one after the other."""
    parts = [empty_detections(n_groups), *parts]
    return Detections(
        boxes_xyxy=np.concatenate([part.boxes_xyxy for part in parts]),
        scores=np.concatenate([part.scores for part in parts]),
        group_scores=np.concatenate([part.group_scores for part in parts]),
        ellipses=np.concatenate([part.ellipses for part in parts]),
        is_cut=np.concatenate([_cut_flags(part) for part in parts]),
        factors=np.concatenate([_known_factors(part) for part in parts]),
    )


def take_detections(detections: Detections, rows: NDArray[np.int64]) -> Detections:
    """The given rows, in the given order."""
    return Detections(
        boxes_xyxy=detections.boxes_xyxy[rows],
        scores=detections.scores[rows],
        group_scores=detections.group_scores[rows],
        ellipses=detections.ellipses[rows],
        is_cut=_cut_flags(detections)[rows],
        factors=_known_factors(detections)[rows],
    )


def order_detections(detections: Detections) -> Detections:
    """All rows, best first; equal scores always come in the same order."""
    return take_detections(detections, _order_rows(detections))


def merge_detections(detections: Detections) -> Detections:
    """One row for each object, best first; the same whatever order the rows come in.

    Parameters
    ----------
    detections : Detections
        Of all tiles and scales, in one frame, with `is_cut` set.

    Returns
    -------
    merged : Detections
        Whole objects come before pieces: a box cut by a tile's edge yields to a whole one that holds it, and
        pieces of an object that no tile saw whole are joined. Left out are the parts of an object, and clumps
        of several objects that were also seen one by one.
    """
    whole, pieces = _part_whole(detections)
    whole = take_detections(whole, _keep_distinct(whole))
    pieces = take_detections(pieces, _find_loose(pieces, whole))
    both = join_detections([whole, _join_pieces(pieces)], detections.group_scores.shape[1])
    # A copy of all that was seen on a whole coverslip takes 100 MiB, so none is kept for longer than needed.
    del whole, pieces
    both = order_detections(both)
    return take_detections(both, _keep_distinct(both))


def _part_whole(detections: Detections) -> tuple[Detections, Detections]:
    """Whole objects, then pieces, each best first, without clumps."""
    ordered = order_detections(detections)
    ordered = take_detections(ordered, _drop_clumps(ordered))
    is_cut = _cut_flags(ordered)
    return take_detections(ordered, np.flatnonzero(~is_cut)), take_detections(ordered, np.flatnonzero(is_cut))


def _cut_flags(detections: Detections) -> NDArray[np.bool_]:
    if detections.is_cut is None:
        return np.zeros(len(detections.scores), dtype=np.bool_)
    return detections.is_cut


def _known_factors(detections: Detections) -> Floats:
    if detections.factors is None:
        return np.full(len(detections.scores), np.nan)
    return detections.factors


def _order_rows(detections: Detections) -> NDArray[np.int64]:
    order = np.argsort(-detections.scores, kind="stable")
    is_like_next = np.diff(detections.scores[order]) == 0
    is_tied = np.zeros(len(order), dtype=np.bool_)
    is_tied[:-1] |= is_like_next
    is_tied[1:] |= is_like_next
    # Few scores are equal, and sorting all rows by all keys takes many times as long.
    tied = order[is_tied]
    order[is_tied] = tied[np.lexsort(_sort_keys(take_detections(detections, tied)))]
    return order.astype(np.int64)


def _sort_keys(detections: Detections) -> tuple[Floats, ...]:
    """The last key counts first: score, then place, then whatever else can differ."""
    boxes = detections.boxes_xyxy
    return (
        _known_factors(detections),
        *detections.group_scores.T,
        *detections.ellipses.T,
        boxes[:, 3],
        boxes[:, 2],
        boxes[:, 0],
        boxes[:, 1],
        -detections.scores,
    )


def _keep_distinct(ordered: Detections) -> NDArray[np.int64]:
    """Rows left when each row, best first, takes out those that show the same object or a part of it."""
    hidden = _find_hidden(ordered)
    is_gone = np.zeros(len(ordered.scores), dtype=np.bool_)
    for row, others in hidden.items():
        if not is_gone[row]:
            is_gone[others[others > row]] = True
    return np.flatnonzero(~is_gone)


def _find_hidden(detections: Detections) -> dict[int, NDArray[np.int64]]:
    """For each row that has any, rising: the other rows that show the same object or a part of it, rising."""
    return _group_hidden(detections, *_pair_near(detections.boxes_xyxy, detections.boxes_xyxy))


def _group_hidden(
    detections: Detections, rows: NDArray[np.int64], others: NDArray[np.int64]
) -> dict[int, NDArray[np.int64]]:
    """The same of pairs of near rows."""
    # Both ask the centre of the other to lie in this one's box, so no pair is missed.
    is_hidden = _is_same(detections, rows, others) | _is_part(detections, rows, others)
    is_hidden &= rows != others
    return _group_pairs(rows[is_hidden], others[is_hidden])


def _pair_near(
    boxes_xyxy: Floats, others_xyxy: Floats, *, half_diagonals: float = 1.0
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows of all pairs of a box and another whose centre lies within so many of its half diagonals."""
    if len(boxes_xyxy) == 0 or len(others_xyxy) == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    reach = half_diagonals * _half_diagonals(boxes_xyxy)
    centres, tree = _centres(boxes_xyxy), cKDTree(_centres(others_xyxy))
    counts, others = [], []
    for start in range(0, len(boxes_xyxy), _ASKED_AT_ONCE):
        some = slice(start, start + _ASKED_AT_ONCE)
        near = tree.query_ball_point(centres[some], reach[some], return_sorted=False)
        counts.append(np.fromiter(map(len, near), dtype=np.int64, count=len(near)))
        n = int(counts[-1].sum())
        others.append(np.fromiter(chain.from_iterable(near), dtype=np.int64, count=n))
    return np.repeat(np.arange(len(boxes_xyxy)), np.concatenate(counts)), np.concatenate(others)


def _group_pairs(rows: NDArray[np.int64], others: NDArray[np.int64]) -> dict[int, NDArray[np.int64]]:
    """The second of each pair by the first, both rising."""
    order = np.lexsort((others, rows))
    firsts, starts = np.unique(rows[order], return_index=True)
    seconds, bounds = others[order], [*starts.tolist(), len(order)]
    return {
        first: seconds[start:end]
        for first, (start, end) in zip(firsts.tolist(), pairwise(bounds), strict=True)
    }


def _is_same(detections: Detections, rows: NDArray[np.int64], others: NDArray[np.int64]) -> NDArray[np.bool_]:
    boxes = detections.boxes_xyxy
    centres, widths, sides = _centres(boxes), _widths(detections), np.sqrt(box_areas(boxes))
    apart = np.linalg.norm(centres[others] - centres[rows], axis=1)
    ratio = np.maximum(sides[others], sides[rows]) / np.maximum(np.minimum(sides[others], sides[rows]), 1e-9)
    near = apart <= _SAME_CENTRE_WIDTHS * np.minimum(widths[others], widths[rows])
    same: NDArray[np.bool_] = near & (ratio <= _SAME_SIDE_RATIO)
    return same


def _is_part(detections: Detections, rows: NDArray[np.int64], others: NDArray[np.int64]) -> NDArray[np.bool_]:
    boxes = detections.boxes_xyxy
    areas = box_areas(boxes)
    shared = _shared_areas(boxes[rows], boxes[others])
    is_held = (shared >= _PART_SHARE * areas[others]) & (areas[others] < 0.5 * areas[rows])
    # The corners of a slanted object's box are free for neighbours, so its outline must hold the part.
    is_held[is_held] = _is_in_ellipse(_centres(boxes[others[is_held]]), detections.ellipses[rows[is_held]])
    return is_held


def _shared_areas(boxes_xyxy: Floats, others_xyxy: Floats) -> Floats:
    """Area that each box shares with the other of the same row."""
    sides = np.minimum(boxes_xyxy[:, 2:], others_xyxy[:, 2:]) - np.maximum(
        boxes_xyxy[:, :2], others_xyxy[:, :2]
    )
    sides = np.clip(sides, 0, None)
    shared: Floats = sides[:, 0] * sides[:, 1]
    return shared


def _is_in_ellipse(points: Floats, ellipses: Floats) -> NDArray[np.bool_]:
    """Whether each point lies in the ellipse of the same row."""
    cx, cy, length, width, angle = ellipses.T
    turn = np.deg2rad(angle)
    right, down = points[:, 0] - cx, points[:, 1] - cy
    along = right * np.cos(turn) + down * np.sin(turn)
    across = down * np.cos(turn) - right * np.sin(turn)
    inside: NDArray[np.bool_] = (2 * along / length) ** 2 + (2 * across / width) ** 2 <= 1
    return inside


def _find_loose(pieces: Detections, whole: Detections) -> NDArray[np.int64]:
    """Rows of cut pieces that lie in no whole object."""
    rows, others = _pair_near(whole.boxes_xyxy, pieces.boxes_xyxy)
    shared = _shared_areas(whole.boxes_xyxy[rows], pieces.boxes_xyxy[others])
    is_held = np.zeros(len(pieces.scores), dtype=np.bool_)
    is_held[others[shared >= _CUT_SHARE * box_areas(pieces.boxes_xyxy)[others]]] = True
    return np.flatnonzero(~is_held)


def _join_pieces(pieces: Detections) -> Detections:
    """Overlapping cut pieces as one box each, with the score and group of the best piece."""
    n = len(pieces.scores)
    if n == 0:
        return pieces
    clusters = _cluster(pieces.boxes_xyxy)
    rows = np.array([min(cluster) for cluster in clusters], dtype=np.int64)
    best = take_detections(pieces, rows)
    for index, cluster in enumerate(clusters):
        if len(cluster) > 1:
            members = pieces.boxes_xyxy[cluster]
            box = np.concatenate([members[:, :2].min(axis=0), members[:, 2:].max(axis=0)])
            best.boxes_xyxy[index] = box
            best.ellipses[index] = _ellipse_of_box(box)
    return best


def _cluster(boxes_xyxy: Floats) -> list[list[int]]:
    """Rows that belong together, each row with the first before it that it overlaps."""
    rows, others = _pair_near(boxes_xyxy, boxes_xyxy, half_diagonals=2.0)
    areas = box_areas(boxes_xyxy)
    shared, smaller = (
        _shared_areas(boxes_xyxy[rows], boxes_xyxy[others]),
        np.minimum(areas[rows], areas[others]),
    )
    shares = np.divide(shared, smaller, out=np.zeros_like(shared), where=smaller > 0)
    is_joined = (shares >= _PIECE_SHARE) & (others < rows)
    first = np.arange(len(boxes_xyxy))
    np.minimum.at(first, rows[is_joined], others[is_joined])
    clusters: dict[int, list[int]] = {}
    home = first.copy()
    for row in range(len(first)):
        home[row] = row if first[row] == row else home[first[row]]
        clusters.setdefault(int(home[row]), []).append(row)
    return list(clusters.values())


def _ellipse_of_box(box_xyxy: Floats) -> Floats:
    width, height = box_xyxy[2:] - box_xyxy[:2]
    centre = _centres(box_xyxy[None])[0]
    return np.array([*centre, max(width, height), min(width, height), 90.0 if height > width else 0.0])


def _drop_clumps(ordered: Detections) -> NDArray[np.int64]:
    """Rows left when boxes go that are filled by two or more objects seen nearly as well one by one."""
    boxes, areas = ordered.boxes_xyxy, box_areas(ordered.boxes_xyxy)
    rows, others = _pair_near(boxes, boxes)
    hidden = _group_hidden(ordered, rows, others)
    is_member = _shared_areas(boxes[rows], boxes[others]) >= _PART_SHARE * areas[others]
    is_member &= areas[others] < 0.7 * areas[rows]
    is_member &= ordered.scores[others] >= _CLUMP_SCORE_SHARE * ordered.scores[rows]
    # Two tiles that part an object between them show two pieces of it, not two objects.
    is_member &= ~_cut_flags(ordered)[others]
    is_clump = np.zeros(len(boxes), dtype=np.bool_)
    for row, members in _group_pairs(rows[is_member], others[is_member]).items():
        if len(members) >= 2 and areas[members].sum() >= _CLUMP_SHARE * areas[row]:
            apart = _keep_apart(members, hidden)
            is_clump[row] = len(apart) >= 2 and areas[apart].sum() >= _CLUMP_SHARE * areas[row]
    return np.flatnonzero(~is_clump)


def _keep_apart(rows: NDArray[np.int64], hidden: dict[int, NDArray[np.int64]]) -> list[int]:
    """Of the given rows, best first, those that show different objects."""
    kept: list[int] = []
    gone: set[int] = set()
    for row in rows.tolist():
        if row not in gone:
            kept.append(row)
            gone.update(hidden[row].tolist() if row in hidden else ())
    return kept


def _centres(boxes_xyxy: Floats) -> Floats:
    centres: Floats = (boxes_xyxy[:, :2] + boxes_xyxy[:, 2:]) / 2
    return centres


def _half_diagonals(boxes_xyxy: Floats) -> Floats:
    diagonals: Floats = np.linalg.norm(boxes_xyxy[:, 2:] - boxes_xyxy[:, :2], axis=1)
    return diagonals / 2


def _widths(detections: Detections) -> Floats:
    """Width of each outline, in pixels: the network's guess, but never beyond the box's shorter side."""
    sides = detections.boxes_xyxy[:, 2:] - detections.boxes_xyxy[:, :2]
    widths: Floats = np.minimum(detections.ellipses[:, 3], sides.min(axis=1, initial=np.inf))
    return widths
