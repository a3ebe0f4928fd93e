"""Reads the rim along an outline's normals: where it is darkest, and how far inside it the shell ends.

An outline follows the place where brightness changes fastest. In focus, and where the rim is broad, that is
the outside of the shell. A rim that the optics draw as a thin line is different: the line lies on the edge of
the shell, and half of what is seen of it is blur, so that its outer flank lies outside. Defocus turns the
edge of a clear shell into a dark and a bright line side by side (the phase term of a weak object,
2 phi sin(pi lambda z f²): N. Streibl, Opt. Commun. 49 (1984) 6-10, from memory). With the focus on one side
the bright line lies outside, and the outline between both is right; on the other side it lies inside, and
the dark line stands off from the shell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.outline import OFFSETS, Outline, measure_moments

Floats = NDArray[np.float64]

# The way inward, from the outline to the darkest of a thin line, is the correction; a bright line inside adds
# to it, one outside takes from it. Fitted to drawn objects of known size, not to photographs.
_BRIGHT_INSIDE_WEIGHT = 6.5
_MOST_BRIGHT_INSIDE = 0.4
_BRIGHT_OUTSIDE_SCALE = 0.16
# From its darkest to half of it on the inner side, in widths of the edge filter: up to the first, a line;
# from the second on, a rim of its own breadth.
_LINE, _BROAD = 2.0, 2.5
_BRIGHT_OUTSIDE_REACH = 5.0
_MOST_SHARE_OF_RADIUS = 0.2


@dataclass(frozen=True)
class Rim:
    """The mean rim around an outline; lengths in widths of the edge filter, heights over the rim's own.

    Attributes
    ----------
    depth : float
        From the outline inward to the darkest of the rim (or brightest, if it is a bright one).
    inner_half : float
        From there on to where it has fallen to half; infinite where it doesn't.
    outside, inside : float
        How far a line of the other sign stands out from the ground beyond and behind the rim; 0 where none.
    """

    depth: float
    inner_half: float
    outside: float
    inside: float


def rim_heights(outline: Outline) -> Floats:
    """How far the rim stands out from the ground around it at each of `OFFSETS`, as a mean over the rays."""
    ordered = np.sort(outline.profiles, axis=0)
    fifth = len(ordered) // 5
    mean = ordered[fifth : len(ordered) - fifth].mean(axis=0)
    heights: Floats = outline.sign * (mean[-6:].mean() - mean)
    return heights


def find_top(heights: Floats) -> int:
    """Where in `OFFSETS` the rim is highest, going inward from the outline."""
    at = len(heights) // 2
    while at > 0 and heights[at - 1] > heights[at]:
        at -= 1
    return at


def read_rim(outline: Outline) -> Rim:
    """The rim as its mean profile shows it."""
    heights = rim_heights(outline)
    top = find_top(heights)
    depth = float(-OFFSETS[top])
    if heights[top] <= 0:
        return Rim(depth, math.inf, 0.0, 0.0)
    shares = heights / heights[top]
    near = shares[(OFFSETS > 0) & (OFFSETS <= _BRIGHT_OUTSIDE_REACH)]
    return Rim(
        depth=depth,
        inner_half=_find_inner_half(shares, top),
        outside=max(0.0, -float(near.min())),
        inside=max(0.0, -float(shares[: top + 1].min())),
    )


def _find_inner_half(shares: Floats, top: int) -> float:
    fallen = np.flatnonzero(shares[:top] <= 0.5)
    if not fallen.size:
        return math.inf
    at = int(fallen[-1])
    rest = (0.5 - shares[at]) / (shares[at + 1] - shares[at])
    step = float(OFFSETS[at + 1] - OFFSETS[at])
    return float(OFFSETS[top] - OFFSETS[at]) - float(rest) * step


@dataclass(frozen=True)
class ShellEdge:
    """Where the shell ends.

    Attributes
    ----------
    points : ndarray of shape (N, 2)
        The outline's points, moved inward by how far they stand off.
    stand_off_px : float
        How far the outline lies outside the shell for blur and defocus; 0 for a broad or bright rim.
    doubt_px : float
        From the outline to the darkest of its rim, where either may be the shell's outside. A bright line
        outside settles it.
    """

    points: Floats
    stand_off_px: float
    doubt_px: float


def find_shell_edge(outline: Outline) -> ShellEdge:
    """Where the shell ends, all lengths in original pixels."""
    rim = read_rim(outline)
    doubt_px = rim.depth * math.exp(-rim.outside / _BRIGHT_OUTSIDE_SCALE) * outline.unit_px
    line = min(max((_BROAD - rim.inner_half) / (_BROAD - _LINE), 0.0), 1.0)
    if outline.sign < 0 or line == 0:
        return ShellEdge(outline.points, 0.0, doubt_px)
    way = line * (1 + _BRIGHT_INSIDE_WEIGHT * min(rim.inside, _MOST_BRIGHT_INSIDE)) * doubt_px
    sides = measure_moments(outline.points[None])[0, 2:4]
    stand_off_px = min(way, _MOST_SHARE_OF_RADIUS * math.sqrt(float(sides.prod())) / 2)
    return ShellEdge(outline.points - outline.normals * stand_off_px, stand_off_px, doubt_px)
