"""Measures a found outline: extents, area, its ends and the shell, each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.outline import OFFSETS, Outline, measure_extents
from triage.records import Ellipse
from triage.rim import ShellEdge, find_shell_edges

Floats = NDArray[np.float64]


# By how much the network of `triage.rim` misjudges itself, and a part in pixels of the picture that is read,
# which it misses in small objects: chosen by `training.size_uncertainty` on objects that it did not learn.
LENGTH_SD_FACTOR = 0.985
WIDTH_SD_FACTOR = 0.973
PIXEL_SD = 0.35
# Factors on both uncertainties of groups in which the network is too sure of itself, unlike in the others, by
# `training.size_uncertainty`: nothing that is read tells which of their objects are missed.
GROUP_SD_FACTORS = {"giardia_cyst": 1.16}
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
        A spine, too thin for the rays of an outline, is not counted.
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


def measure_shells(
    outlines: Sequence[Outline], group_shares: Sequence[Mapping[str, float]]
) -> list[ShellSize]:
    """Size and form of outlined objects, each the same whatever the others are.

    Parameters
    ----------
    outlines : sequence of Outline
    group_shares : sequence of mapping of str to float
        Shares of the groups that each may be of, for `GROUP_SD_FACTORS`.

    Notes
    -----
    The shell's edge and its uncertainty are what `triage.rim` reads around the outline. Length and width are
    taken as independent where they are combined, which is on the safe side: blur makes both too large
    together.
    """
    if not outlines:
        return []
    edges = find_shell_edges(outlines)
    extents = measure_extents(np.stack([edge.points for edge in edges]))
    return [
        _measure(outline, edge, ellipse.tolist(), float(area), shares)
        for outline, edge, ellipse, area, shares in zip(outlines, edges, *extents, group_shares, strict=True)
    ]


def measure_shell(
    outline: Outline, edge: ShellEdge, *, group_shares: Mapping[str, float] | None = None
) -> ShellSize:
    """The same of one object whose shell's edge was read before."""
    ellipses, areas = measure_extents(edge.points[None])
    return _measure(outline, edge, ellipses[0].tolist(), float(areas[0]), group_shares or {})


def _measure(
    outline: Outline,
    edge: ShellEdge,
    ellipse: Sequence[float],
    area: float,
    group_shares: Mapping[str, float],
) -> ShellSize:
    cx, cy, length, width, turn = ellipse
    pixel_sd = PIXEL_SD * outline.rim.scale
    widening = _widen_for_groups(group_shares)
    length_sd = widening * math.hypot(length * edge.length_relative_sd * LENGTH_SD_FACTOR, pixel_sd)
    width_sd = widening * math.hypot(width * edge.width_relative_sd * WIDTH_SD_FACTOR, pixel_sd)
    both_relative_sd = math.hypot(length_sd / length, width_sd / width)
    ends, ends_sd = _compare_ends(edge.points, (cx, cy, length, turn), width_sd)
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


def _widen_for_groups(shares: Mapping[str, float]) -> float:
    """Factor for what may belong to groups of different factors: mean variances are taken by their shares."""
    added = sum(shares.get(group, 0.0) * (factor**2 - 1) for group, factor in GROUP_SD_FACTORS.items())
    return math.sqrt(1 + added)


def _to_degrees(turn: float) -> float:
    angle = math.degrees(turn)
    return angle + 180 if angle <= -90 else angle


def _measure_rim(outline: Outline) -> tuple[float | None, float | None]:
    """From the outline to where the rim falls fastest on its inner side."""
    heights = _rim_heights(outline)
    top = _find_top(heights)
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


def _rim_heights(outline: Outline) -> Floats:
    """How far the rim stands out from the ground around it at each of `OFFSETS`, as a mean over the rays."""
    ordered = np.sort(outline.profiles, axis=0)
    fifth = len(ordered) // 5
    mean = ordered[fifth : len(ordered) - fifth].mean(axis=0)
    heights: Floats = outline.sign * (mean[-6:].mean() - mean)
    return heights


def _find_top(heights: Floats) -> int:
    """Where in `OFFSETS` the rim is highest, going inward from the outline."""
    at = len(heights) // 2
    while at > 0 and heights[at - 1] > heights[at]:
        at -= 1
    return at


def _compare_ends(
    points: Floats, frame: tuple[float, float, float, float], breadth_px_sd: float
) -> tuple[float, float]:
    cx, cy, length, turn = frame
    cosine, sine = math.cos(turn), math.sin(turn)
    x, y = points[:, 0] - cx, points[:, 1] - cy
    along, across = x * cosine + y * sine, y * cosine - x * sine
    at = (0.5 - _END_SHARE) * length
    sides = along, across, _next(along), _next(across)
    one, other = sorted(_breadth_at(*sides, place) for place in (-at, at))
    ratio = one / max(other, 1e-9)
    return ratio, breadth_px_sd / max(other, 1e-9) * math.hypot(1.0, ratio)


def _next(values: Floats) -> Floats:
    return np.concatenate((values[1:], values[:1]))


def _breadth_at(
    along: Floats, across: Floats, next_along: Floats, next_across: Floats, place: float
) -> float:
    """Breadth of a closed polygon across its axis at one place on it."""
    crosses = (along - place) * (next_along - place) <= 0
    crosses &= along != next_along
    share = (place - along[crosses]) / (next_along[crosses] - along[crosses])
    at = across[crosses] + share * (next_across[crosses] - across[crosses])
    return float(np.ptp(at)) if len(at) else 0.0
