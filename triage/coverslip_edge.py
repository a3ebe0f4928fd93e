"""Finds the edge of the coverslip in a picture: a thin refracting line with another background beyond it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.illumination import LEAST_GREY

# Looked for in copies whose longer side is this: a line is thin in one of them.
_SIDES_PX = (1024, 256)
_LINE_PX = 9
_LEAST_LINE = 5.0
_LINE_GRAINS = 5.0
# What stands out along less than this share of the shorter side is an object, no edge (our choice).
_LEAST_EXTENT = 0.15
_ROUNDS = 1500
_NEAR_PX = 1.5
_MOST_POINTS = 4000
_MOST_LINES = 10
_LEAST_SUPPORT = 0.5
_LEAST_LENGTH = 0.4
# Backgrounds are compared in strips from this to that many px off the line.
_STRIP_PX = (8, 16)
_FAR_PX = (16, 24)
# At each end of the levels beside a line: things that lie there.
_TRIMMED_SHARE = 0.3
_PIECES = 16
_LEAST_STEP = 1.0
# The edge itself stands out by this from both its sides, in grey levels; things in a row beside it don't.
_LEAST_HEIGHT = 6.0
_LEAST_AGREEING = 0.75
# Coverslips are sold with sides and diameters from about 10 to 60 mm (common practice, no source).
_ACROSS_MM = (8.0, 65.0)
_ROUND_POINTS = 360
LEAST_SEEN_MM = 4.0
"""In a smaller picture a thread or a hair can't be told from an edge."""


@dataclass(frozen=True)
class CoverslipOutline:
    """The part of a picture that lies under the coverslip.

    Attributes
    ----------
    shape : str
        `straight` or `round`.
    is_whole : bool
        Whether the whole outline is in the picture, so that its area is the coverslip's.
    n_edges : int
        Straight edges that were seen; 1 for a round one.
    points_xy : ndarray of shape (N, 2)
        Corners of the part under the coverslip, in pixels of the picture.
    """

    shape: str
    is_whole: bool
    n_edges: int
    points_xy: NDArray[np.float64]

    @property
    def area_px(self) -> float:
        """Area of the part under the coverslip, in square pixels."""
        x, y = self.points_xy.T
        return float(abs((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) / 2)


def find_outline(grey: NDArray[np.uint8], mm_per_px: float) -> CoverslipOutline | None:
    """The outline of the coverslip where its edge can be seen; None where it can't.

    Parameters
    ----------
    grey : ndarray of shape (H, W)
        The whole picture, reduced or not; points are in its pixels.
    mm_per_px : float
        Its scale. In pictures of less than `LEAST_SEEN_MM` no edge is looked for.

    Notes
    -----
    The middle of the picture is taken to lie under the coverslip. A line counts as an edge where it is darker
    or brighter than both its sides along at least half of its way through the picture, and the background
    beyond it differs from that before it; a seam of a mosaic has no such line, a fibre no such difference.
    """
    if max(grey.shape) * mm_per_px < LEAST_SEEN_MM:
        return None
    found = []
    for side_px in _SIDES_PX:
        shrink = min(1.0, side_px / max(grey.shape))
        size_wh = (max(1, round(grey.shape[1] * shrink)), max(1, round(grey.shape[0] * shrink)))
        if min(size_wh) < 4 * _STRIP_PX[1]:
            continue
        small = np.asarray(cv2.resize(grey, size_wh, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        outline = _find_in(_Look(small, *_list_line_points(small)), mm_per_px / shrink)
        if outline is not None:
            scale_xy = np.array(grey.shape[::-1]) / size_wh
            found.append(
                CoverslipOutline(
                    outline.shape, outline.is_whole, outline.n_edges, outline.points_xy * scale_xy
                )
            )
            if outline.is_whole:
                break
    # The finer copy comes first and is the more exact where both see as much.
    return max(found, key=lambda one: (one.is_whole, one.n_edges), default=None)


@dataclass(frozen=True)
class _Look:
    """A reduced picture, the points (M, 2) on its lines, and where it shows anything."""

    grey: NDArray[np.uint8]
    points_xy: NDArray[np.float64]
    is_lit: NDArray[np.bool_]


def _list_line_points(grey: NDArray[np.uint8]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Points on long thin lines, darker or brighter than both sides, and where the picture is lit."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_LINE_PX, _LINE_PX))
    calm = cv2.GaussianBlur(grey, (0, 0), 0.7).astype(np.int16)
    dark = cv2.morphologyEx(calm, cv2.MORPH_CLOSE, kernel) - calm
    bright = calm - cv2.morphologyEx(calm, cv2.MORPH_OPEN, kernel)
    height = np.maximum(dark, bright)
    unlit = cv2.dilate((grey < LEAST_GREY).astype(np.uint8), np.ones((2 * _LINE_PX + 1,) * 2, np.uint8)) > 0
    limit = max(_LEAST_LINE, _LINE_GRAINS * float(np.median(height)))
    is_line = ((height > limit) & ~unlit).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(is_line, connectivity=8)
    is_long = stats[:, 2:4].max(axis=1) >= _LEAST_EXTENT * min(grey.shape)
    is_long[0] = False
    rows, columns = np.nonzero(is_long[labels])
    step = max(1, len(rows) // _MOST_POINTS)
    points = np.stack([columns, rows], axis=1)[::step].astype(np.float64)
    return points, ~unlit


def _find_in(look: _Look, mm_per_px: float) -> CoverslipOutline | None:
    height, width = look.grey.shape
    if len(look.points_xy) < min(height, width) // 4:
        return None
    sides = _find_straight(look)
    frame_xy = np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=np.float64)
    if not sides:
        return _find_round(look, mm_per_px)
    inside_xy = frame_xy
    for line in sides:
        inside_xy = _cut(inside_xy, line)
    is_whole = len(sides) == 4 and _fits(inside_xy, mm_per_px)
    return CoverslipOutline("straight", is_whole, len(sides), inside_xy)


def _fits(inside_xy: NDArray[np.float64], mm_per_px: float) -> bool:
    across = np.sqrt(cv2.contourArea(inside_xy.astype(np.float32))) * mm_per_px
    return bool(_ACROSS_MM[0] <= across <= _ACROSS_MM[1])


def _find_straight(look: _Look) -> list[NDArray[np.float64]]:
    """Edges as (a, b, c) with a x + b y + c > 0 under the coverslip; at most one on each side."""
    middle = np.array(look.grey.shape[::-1]) / 2
    left = look.points_xy
    chosen: dict[int, NDArray[np.float64]] = {}
    for number in range(_MOST_LINES):
        line = _fit_line(left, np.random.default_rng(number))
        if line is None:
            break
        left = left[np.abs(left @ line[:2] + line[2]) > _STRIP_PX[0]]
        line = line * np.sign(line[:2] @ middle + line[2])
        # Left, upper, right or lower edge, by where its inner side looks.
        side = int(np.round(np.arctan2(line[1], line[0]) / (np.pi / 2))) % 4
        if side not in chosen and _is_edge(look, line):
            chosen[side] = line - np.array([0, 0, _find_middle(look, _walk(look, line), line[:2])])
    return list(chosen.values())


def _fit_line(points_xy: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64] | None:
    """The line (a, b, c), |(a, b)| = 1, with most points on it."""
    if len(points_xy) < 2:
        return None
    pairs = points_xy[rng.integers(0, len(points_xy), (_ROUNDS, 2))]
    along = pairs[:, 1] - pairs[:, 0]
    length = np.hypot(*along.T)
    pairs, along, length = (each[length > _LINE_PX] for each in (pairs, along, length))
    if not len(pairs):
        return None
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / length[:, None]
    offset = -(normal * pairs[:, 0]).sum(axis=1)
    off = np.abs(points_xy @ normal.T + offset)
    best = int((off <= _NEAR_PX).sum(axis=0).argmax())
    near = points_xy[off[:, best] <= _NEAR_PX]
    middle = near.mean(axis=0)
    across = np.linalg.svd(near - middle, full_matrices=False)[2][-1]
    return np.array([*across, -across @ middle])


def _is_edge(look: _Look, line: NDArray[np.float64]) -> bool:
    """Whether enough of a line is seen, and the background beyond it is another."""
    way = _walk(look, line)
    if len(way) < _LEAST_LENGTH * min(look.grey.shape):
        return False
    on = _find_supported(look, way)
    return len(on) > 0 and _parts_backgrounds(look, way[on], np.broadcast_to(line[:2], way[on].shape))


def _walk(look: _Look, line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Places along a line within the picture, a px apart."""
    far = sum(look.grey.shape)
    along = np.array([-line[1], line[0]])
    way = -line[2] * line[:2] + np.arange(-far, far, dtype=np.float64)[:, None] * along
    kept: NDArray[np.float64] = way[_is_inside(way, look.grey.shape)]
    return kept


def _measure_across(
    look: _Look, way_xy: NDArray[np.float64], inward_xy: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Steps inward across a way, and how far the usual level at each lies from those on both sides."""
    off = np.arange(-_STRIP_PX[1], _STRIP_PX[1] + 1)
    usual = np.array([_middle(_read(look, way_xy + at * inward_xy)) for at in off])
    outer, inner = _middle(usual[:4]), _middle(usual[-4:])
    is_between = (usual - outer) * (usual - inner) < 0
    stands_out = np.minimum(np.abs(usual - outer), np.abs(usual - inner))
    return off, np.nan_to_num(np.where(is_between, 0.0, stands_out))


def _find_middle(look: _Look, way_xy: NDArray[np.float64], inward_xy: NDArray[np.float64]) -> float:
    """How far inward the middle of the edge lies, which has dark and bright lines beside each other."""
    off, stands_out = _measure_across(look, way_xy, inward_xy)
    stands_out[stands_out < stands_out.max() / 4] = 0
    return float((off * stands_out).sum() / max(stands_out.sum(), 1e-6))


def _is_inside(xy: NDArray[np.float64], shape_hw: tuple[int, ...]) -> NDArray[np.bool_]:
    is_in = (xy >= 0) & (xy <= np.array(shape_hw[::-1]) - 1)
    return np.asarray(is_in.all(axis=1), dtype=np.bool_)


def _find_supported(look: _Look, way_xy: NDArray[np.float64]) -> NDArray[np.int64]:
    """Numbers of the places of a way where points lie; none where they are less than half of it."""
    drawn = np.zeros(look.grey.shape, np.uint8)
    columns, rows = look.points_xy.astype(int).T
    drawn[rows, columns] = 1
    near = cv2.dilate(drawn, np.ones((5, 5), np.uint8))
    x, y = np.rint(way_xy).astype(int).T
    by_accident = float(near[look.is_lit].mean())
    supported = np.flatnonzero(near[y, x])
    least = _LEAST_SUPPORT + (1 - _LEAST_SUPPORT) * by_accident
    return supported if len(supported) >= least * len(way_xy) else supported[:0]


def _parts_backgrounds(look: _Look, way_xy: NDArray[np.float64], inward_xy: NDArray[np.float64]) -> bool:
    """Whether a way is a line beyond which the background of most pieces is brighter, or darker, than before.

    What the light changes by anyway, as two further strips tell, is taken off.
    """
    near, far = (_read_strips(look, way_xy, inward_xy, at) for at in (_STRIP_PX, _FAR_PX))
    apart = (sum(_STRIP_PX) - 1.0) / (sum(_FAR_PX) - sum(_STRIP_PX))
    steps = near - apart * (far - near)
    known = steps[np.isfinite(steps)]
    if len(known) < _PIECES // 2:
        return False
    off, stands_out = _measure_across(look, way_xy, inward_xy)
    if stands_out[np.abs(off) < _STRIP_PX[0]].max() < _LEAST_HEIGHT:
        return False
    usual = float(np.median(known))
    agreeing = (np.sign(known) == np.sign(usual)) & (np.abs(known) >= _LEAST_STEP / 2)
    return bool(abs(usual) >= _LEAST_STEP and agreeing.mean() >= _LEAST_AGREEING)


def _read_strips(
    look: _Look, way_xy: NDArray[np.float64], inward_xy: NDArray[np.float64], off_px: tuple[int, int]
) -> NDArray[np.float64]:
    """Level before less that beyond each piece of a way, so many px off it; NaN where it is not seen."""
    steps = np.arange(*off_px)[:, None]
    before, beyond = (
        _read(look, (way_xy[:, None] + sign * steps * inward_xy[:, None]).reshape(-1, 2)).reshape(
            len(way_xy), -1
        )
        for sign in (1, -1)
    )
    pieces = np.array_split(np.arange(len(way_xy)), _PIECES)
    return np.array([_middle(before[one]) - _middle(beyond[one]) for one in pieces])


def _middle(levels: NDArray[np.float64]) -> float:
    lit = levels[np.isfinite(levels)]
    cut = int(_TRIMMED_SHARE * lit.size)
    return float(np.sort(lit)[cut : lit.size - cut].mean()) if lit.size else float("nan")


def _read(look: _Look, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Grey values at places; NaN outside the picture and where it is black."""
    inside = _is_inside(xy, look.grey.shape)
    values = np.full(len(xy), np.nan)
    x, y = np.rint(xy[inside]).astype(int).T
    values[inside] = np.where(look.is_lit[y, x], look.grey[y, x], np.nan)
    return values


def _cut(corners_xy: NDArray[np.float64], line: NDArray[np.float64]) -> NDArray[np.float64]:
    """The part of a convex polygon on the positive side of a line (Sutherland and Hodgman, from memory)."""
    height = corners_xy @ line[:2] + line[2]
    kept: list[NDArray[np.float64]] = []
    for here, there, a, b in zip(
        corners_xy, np.roll(corners_xy, -1, axis=0), height, np.roll(height, -1), strict=True
    ):
        if a >= 0:
            kept.append(here)
        if (a >= 0) != (b >= 0):
            kept.append(here + (there - here) * a / (a - b))
    return np.array(kept).reshape(-1, 2)


def _find_round(look: _Look, mm_per_px: float) -> CoverslipOutline | None:
    """A round edge of which at least a quarter is in the picture."""
    height, width = look.grey.shape
    circle = _fit_circle(look.points_xy, np.random.default_rng(0))
    if circle is None:
        return None
    x, y, radius = circle
    if not _ACROSS_MM[0] <= 2 * radius * mm_per_px <= _ACROSS_MM[1]:
        return None
    angle = np.linspace(0, 2 * np.pi, max(_ROUND_POINTS, int(2 * np.pi * radius)), endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    way = np.array([x, y]) + radius * outward
    seen = _is_inside(way, look.grey.shape)
    if np.hypot(x - width / 2, y - height / 2) >= radius or seen.mean() < 0.25:
        return None
    on = np.flatnonzero(seen)[_find_supported(look, way[seen])]
    if not len(on) or not _parts_backgrounds(look, way[on], -outward[on]):
        return None
    radius -= _find_middle(look, way[seen], -outward[seen])
    inside_xy = np.array([x, y]) + radius * outward[:: max(1, len(outward) // _ROUND_POINTS)]
    for line in ((1, 0, 0), (-1, 0, width), (0, 1, 0), (0, -1, height)):
        inside_xy = _cut(inside_xy, np.array(line, dtype=np.float64))
    return CoverslipOutline("round", bool(seen.mean() > 0.99), 1, inside_xy)


def _fit_circle(
    points_xy: NDArray[np.float64], rng: np.random.Generator
) -> tuple[float, float, float] | None:
    """Middle x, y and radius of the circle with most points on it."""
    a, b, c = np.moveaxis(points_xy[rng.integers(0, len(points_xy), (_ROUNDS, 3))], 1, 0)
    ab, ac = b - a, c - a
    twice = 2 * (ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0])
    is_good = np.abs(twice) > 1
    a, ab, ac, twice = (each[is_good] for each in (a, ab, ac, twice))
    if not len(a):
        return None
    square_ab, square_ac = (ab**2).sum(axis=1), (ac**2).sum(axis=1)
    off_x = (ac[:, 1] * square_ab - ab[:, 1] * square_ac) / twice
    off_y = (ab[:, 0] * square_ac - ac[:, 0] * square_ab) / twice
    radius = np.hypot(off_x, off_y)
    middle = a + np.stack([off_x, off_y], axis=1)
    near = [
        int((np.abs(np.hypot(*(points_xy - at).T) - r) <= _NEAR_PX).sum())
        for at, r in zip(middle, radius, strict=True)
    ]
    best = int(np.argmax(near))
    on = np.abs(np.hypot(*(points_xy - middle[best]).T) - radius[best]) <= _NEAR_PX
    terms = np.column_stack([2 * points_xy[on], np.ones(on.sum())])
    x, y, rest = np.linalg.lstsq(terms, (points_xy[on] ** 2).sum(axis=1), rcond=None)[0]
    return float(x), float(y), float(np.sqrt(max(0.0, rest + x**2 + y**2)))
