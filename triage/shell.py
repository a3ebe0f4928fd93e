"""Measures a found outline: extents, area, its ends and the shell, each with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

from triage.outline import OFFSETS, Outline, measure_moments, polygon_area
from triage.records import Ellipse
from triage.rim import ShellEdge, find_shell_edge, find_top, rim_heights

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class EdgeTerms:
    """What one edge's uncertainty is made of.

    Attributes
    ----------
    grain : float
        Times the scatter of the edge between neighbouring rays.
    edge : float
        Share of the width of the edge filter.
    focus : float
        Share of the way from the edge to the darkest of the rim, which is long where the focus is soft; none
        where a bright line outside tells on which side the focus lies.
    radius : float
        Share of the radius: plugs missed, a halo or a neighbour taken for the rim.
    stand_off : float
        Share of the correction for blur and defocus.
    form : float
        Times the scatter of the outline about its own ellipse, which is large where it leaps from one edge to
        another.
    """

    grain: float
    edge: float
    focus: float
    radius: float
    stand_off: float
    form: float


# Fitted to 1835 drawn objects of known size, as `python -m training.measure_bench --fit` does, so that 1.96
# standard uncertainties cover 95 % of the errors. Most of it is that an outline drawn by light is not where
# the shell ends; on photographs, the visible rim itself is met to 1 % of a diameter.
LENGTH_TERMS = EdgeTerms(9.43, 1.208, 0.775, 0.0076, 0.215, 1.416)
WIDTH_TERMS = EdgeTerms(12.77, 0.473, 0.827, 0.0114, 0.283, 0.92)
# Ends are compared where they are this share of the length away from the tips.
_END_SHARE = 0.125
# A shell shows where the brightness behind its rim comes back by this share, and is wider than the filter.
_LEAST_RECOVERY = 0.3
_LEAST_SHELL_WIDTHS = 1.5


@dataclass(frozen=True)
class ShellSize:
    """What was measured of one outline, in original pixels, with standard uncertainties.

    Attributes
    ----------
    ellipse : Ellipse
        Its diameters are the extents along and across the long axis of the outlined area, plugs included.
    length_px_sd, width_px_sd : float
    area_px, area_px_sd : float
        Inside the outline, in square pixels.
    aspect, aspect_sd : float
        Length over width.
    ends_ratio, ends_ratio_sd : float
        Breadth near the narrower end over that near the other one; 1 where both ends are alike.
    shell_px, shell_px_sd : float or None
        Thickness of the rim; None where its inside doesn't show.
    """

    ellipse: Ellipse
    length_px_sd: float
    width_px_sd: float
    area_px: float
    area_px_sd: float
    aspect: float
    aspect_sd: float
    ends_ratio: float
    ends_ratio_sd: float
    shell_px: float | None
    shell_px_sd: float | None


def measure_shell(outline: Outline) -> ShellSize:
    """Size and form of an outline.

    Notes
    -----
    Grain moves the two ends of a diameter each by itself, so that it counts by the square root of two; blur
    moves both the same way and counts twice. The outline is first moved to where the shell ends (see
    `triage.rim`). Length and width are taken as independent where they are
    combined, which is on the safe side: blur makes both too large together.
    """
    edge = find_shell_edge(outline)
    points = edge.points
    ellipse = measure_moments(points[None])[0]
    cx, cy, length, width, turn = (float(value) for value in ellipse)
    parts_px = _split_uncertainty_px(outline, edge, ellipse)
    length_sd, width_sd = _combine(LENGTH_TERMS, parts_px), _combine(WIDTH_TERMS, parts_px)
    area = polygon_area(points)
    both_relative_sd = math.hypot(length_sd / length, width_sd / width)
    ends, ends_sd = _compare_ends(points, (cx, cy, length, turn), width_sd)
    shell, shell_sd = _measure_rim(outline)
    return ShellSize(
        ellipse=Ellipse(cx, cy, length, width, _to_degrees(turn)),
        length_px_sd=length_sd,
        width_px_sd=width_sd,
        area_px=area,
        area_px_sd=area * both_relative_sd,
        aspect=length / width,
        aspect_sd=length / width * both_relative_sd,
        ends_ratio=ends,
        ends_ratio_sd=ends_sd,
        shell_px=shell,
        shell_px_sd=shell_sd,
    )


def _to_degrees(turn: float) -> float:
    angle = math.degrees(turn)
    return angle + 180 if angle <= -90 else angle


def split_uncertainty_px(outline: Outline) -> tuple[float, ...]:
    """What each of `EdgeTerms` is a share or multiple of, for a whole diameter, in original pixels."""
    edge = find_shell_edge(outline)
    return _split_uncertainty_px(outline, edge, measure_moments(edge.points[None])[0])


def _split_uncertainty_px(outline: Outline, edge: ShellEdge, ellipse: Floats) -> tuple[float, ...]:
    radius = math.sqrt(ellipse[2] * ellipse[3]) / 2
    return (
        math.sqrt(2) * outline.edge_px_sd,
        2 * outline.unit_px,
        2 * edge.doubt_px,
        2 * radius,
        2 * edge.stand_off_px,
        2 * radius * float(np.std(_place_in_ellipse(edge.points, ellipse))),
    )


def _place_in_ellipse(points: Floats, ellipse: Floats) -> Floats:
    """Distances of points from the middle of an ellipse that is drawn as the unit circle."""
    cx, cy, length, width, turn = ellipse
    x, y = points[:, 0] - cx, points[:, 1] - cy
    along, across = x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn)
    places: Floats = np.hypot(2 * along / length, 2 * across / width)
    return places


def _combine(terms: EdgeTerms, parts_px: tuple[float, ...]) -> float:
    return math.hypot(*(term * part for term, part in zip(astuple(terms), parts_px, strict=True)))


def _measure_rim(outline: Outline) -> tuple[float | None, float | None]:
    """From the outline to where the rim falls fastest on its inner side."""
    heights = rim_heights(outline)
    top = find_top(heights)
    fallen = np.flatnonzero(heights[: top + 1] < (1 - _LEAST_RECOVERY) * heights[top])
    if heights[top] <= 0 or fallen.size == 0 or fallen[-1] == 0:
        return None, None
    near = slice(max(0, int(fallen[-1]) - 3), min(int(fallen[-1]) + 3, top) + 1)
    steps = np.diff(heights[near])
    steepest = near.start + int(steps.argmax())
    thickness = float(-(OFFSETS[steepest] + OFFSETS[steepest + 1]) / 2)
    if thickness < _LEAST_SHELL_WIDTHS:
        return None, None
    width = outline.unit_px
    # Both sides lie on blurred flanks of the rim, each uncertain by about half a filter (our estimate).
    return thickness * width, math.hypot(math.sqrt(2) * outline.edge_px_sd, math.sqrt(0.5) * width)


def _compare_ends(
    points: Floats, frame: tuple[float, float, float, float], breadth_px_sd: float
) -> tuple[float, float]:
    cx, cy, length, turn = frame
    cosine, sine = math.cos(turn), math.sin(turn)
    x, y = points[:, 0] - cx, points[:, 1] - cy
    along, across = x * cosine + y * sine, y * cosine - x * sine
    at = (0.5 - _END_SHARE) * length
    one, other = sorted(_breadth_at(along, across, place) for place in (-at, at))
    ratio = one / max(other, 1e-9)
    return ratio, breadth_px_sd / max(other, 1e-9) * math.hypot(1.0, ratio)


def _breadth_at(along: Floats, across: Floats, place: float) -> float:
    """Breadth of a closed polygon across its axis at one place on it."""
    next_along, next_across = np.roll(along, -1), np.roll(across, -1)
    crosses = (along - place) * (next_along - place) <= 0
    crosses &= along != next_along
    share = (place - along[crosses]) / (next_along[crosses] - along[crosses])
    at = across[crosses] + share * (next_across[crosses] - across[crosses])
    return float(np.ptp(at)) if len(at) else 0.0
