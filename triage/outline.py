"""Finds the outer outline of candidates in the original pixels, to a fraction of a pixel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.images import Picture
from triage.percentiles import find_median
from triage.polar import (
    ANGLES,
    HARMONICS,
    N_RAYS,
    RHO,
    Floats,
    Frames,
    draw_radii,
    find_closed_paths,
    fit_radii,
    refine_peaks,
    sample,
    sample_along,
    slope_along_rows,
)
from triage.records import Ellipse
from triage.reduced import find_cells, reduce_cells
from triage.rim_frame import place_points

_ROUNDS = 3
_SETTLED_SHARE = 0.02
# Larger objects are searched in a copy halved until they fit; the outline of such an object is sure there.
_MOST_RADIUS_PX = 96.0
_LEAST_WIDTH_PX = 6.0
_LEAST_SUPPORT = 0.7
_SUPPORTED_EDGE = 0.3
_LEAST_EDGE_TO_NOISE = 3.0
# In grey levels a sample; one level of 8 bits makes some 0.05, rounding in an even picture below 0.001.
_LEAST_STRENGTH = 0.01
_MOST_ROUGHNESS = 0.07
_AREA_RATIO = (0.6, 1.6)
_MOST_RAYS_OUTSIDE = 0.1
# Places along a normal of the outline, in widths of the fine edge filter; its play is how far it may move.
OFFSETS = np.arange(-16, 17) * 0.5
_PLAY = 3.0
_NEAR = np.exp(-0.5 * (OFFSETS / (0.5 * _PLAY)) ** 2)
# Steps of a ray near the guess, outside of the object, and up to its rim.
_NEAR_GUESS, _OUTSIDE, _INSIDE = (
    slice(int(steps.argmax()), int(steps.argmax() + steps.sum()))
    for steps in (np.abs(RHO - 1) <= 0.25, RHO >= 1.2, RHO <= 1.1)
)
# Points of every ray at `RHO`, in the frame in which the guess is the unit circle.
_ALONG, _ACROSS = RHO * np.cos(ANGLES)[:, None], RHO * np.sin(ANGLES)[:, None]
_MEAN_OF_COLOURS = np.full((1, 3), 1 / 3, dtype=np.float32)


@dataclass(frozen=True)
class RimView:
    """The pixels around an outline, and the ellipse whose frame its rim is read in first.

    Attributes
    ----------
    patch : ndarray of shape (height, width), float32
        Grey values.
    ellipse : ndarray of shape (5,)
        cx, cy, length, width, angle in radians, in pixels of the patch that was searched.
    origin, per_px : ndarray of shape (2,)
        A point of the patch lies at (point + origin) * per_px in original pixels.
    """

    patch: NDArray[np.float32]
    ellipse: Floats
    origin: Floats
    per_px: Floats

    @property
    def scale(self) -> float:
        """Original pixels that one pixel of the patch is wide."""
        return _mean_scale(self.per_px)


@dataclass(frozen=True)
class Outline:
    """A found outline and what was seen along its normals.

    Attributes
    ----------
    points : ndarray of shape (N_RAYS, 2)
        x, y where brightness changes fastest, in original pixels.
    normals : ndarray of shape (N_RAYS, 2)
        Outward, of unit length.
    profiles : ndarray of shape (N_RAYS, len(OFFSETS))
        Brightness along the normals, at `OFFSETS` times `unit_px`.
    unit_px : float
        Width of the edge filter, in original pixels.
    edge_px_sd : float
        How far one edge may be off for grain and roughness, in original pixels.
    sign : float
        1 for a rim darker than around it, -1 for a brighter one.
    rim : RimView
    """

    points: Floats
    normals: Floats
    profiles: Floats
    unit_px: float
    edge_px_sd: float
    sign: float
    rim: RimView


@dataclass(frozen=True)
class NoOutline:
    """No outline was found, and why, in words for a reader."""

    reason: str


def find_outlines(picture: Picture, guesses: Sequence[Ellipse]) -> list[Outline | NoOutline]:
    """The outer outline near each guessed ellipse, or why the picture shows none.

    Parameters
    ----------
    picture : Picture
    guesses : sequence of Ellipse
        In original pixels; may be off by about a quarter of their size.

    Returns
    -------
    found : list of Outline or NoOutline
        One for each guess, whatever the others are.

    Notes
    -----
    Rays leave the centre in the frame in which the guess is a circle. On each ray the edge is where
    brightness changes fastest; one closed path over all rays is chosen by dynamic programming, so that a
    bright grain on one ray can't pull it. The radius along the path is then fitted by a short Fourier series
    with outliers weighted down, and the search is repeated around the result. Last, the edge is sought again
    along the outline's normals with a finer filter.
    """
    found: list[Outline | NoOutline] = [NoOutline("")] * len(guesses)
    patches: dict[int, _Patch] = {}
    for row, guess in enumerate(guesses):
        if guess.width_px < _LEAST_WIDTH_PX or not np.isfinite(guess.length_px):
            found[row] = NoOutline(
                f"It is about {guess.width_px:.0f} px wide; an outline needs {_LEAST_WIDTH_PX:g} px."
            )
        else:
            patches[row] = _cut_patch(picture, guess)
    for row, outline in _search(patches, found).items():
        found[row] = outline
    return found


@dataclass(frozen=True)
class _Patch:
    """Grey pixels around a guess, at `per_px` original pixels to one of the patch."""

    grey: NDArray[np.float32]
    origin: Floats
    per_px: Floats
    guess: Floats

    @property
    def scale(self) -> float:
        return _mean_scale(self.per_px)


def _mean_scale(per_px: Floats) -> float:
    return float(np.sqrt(per_px.prod()))


def _cut_patch(picture: Picture, guess: Ellipse) -> _Patch:
    radius = 0.5 * math.sqrt(guess.length_px * guess.width_px)
    halvings = max(0, math.ceil(math.log2(radius / _MOST_RADIUS_PX)))
    times = 2**halvings
    whole_hw = (picture.height, picture.width)
    frame_hw = tuple(-(-side // times) for side in whole_hw)
    per_px = np.full(2, float(times))
    centre = np.array([guess.cx, guess.cy]) / per_px
    reach = 0.5 * guess.length_px / per_px.min() * (RHO[-1] + 0.35) + 4
    low = np.clip((centre - reach).astype(int), 0, np.array(frame_hw[::-1]) - 1)
    high = np.clip((centre + reach).astype(int) + 1, low + 1, frame_hw[::-1])
    (left, top), (width, height) = low.tolist(), (high - low).tolist()
    x, y = times * left, times * top
    pixels = picture.read_region(
        x, y, min(times * width, picture.width - x), min(times * height, picture.height - y)
    )
    if halvings:
        # A mean of few pixels costs less than decoding them; resampling better costs as much again.
        pixels = reduce_cells(x, y, pixels, *find_cells(x, y, pixels, whole_hw, times), times)
    grey: NDArray[np.float32] = cv2.transform(  # type: ignore[assignment]
        pixels.astype(np.float32), _MEAN_OF_COLOURS
    )
    scale = _mean_scale(per_px)
    ellipse = np.array(
        [*(centre - low), guess.length_px / scale, guess.width_px / scale, np.deg2rad(guess.angle_deg)]
    )
    return _Patch(grey, low.astype(np.float64), per_px, ellipse)


def _search(patches: dict[int, _Patch], found: list[Outline | NoOutline]) -> dict[int, Outline]:
    """Outlines by row; rows that show none get their reason in `found`."""
    rows = list(patches)
    ellipses = np.array([patches[row].guess for row in rows]).reshape(-1, 5)
    curves: dict[int, tuple[Floats, Floats, float]] = {}
    for _ in range(_ROUNDS):
        if not rows:
            break
        rows, frames, edges, signs = _edge_maps(patches, rows, ellipses, found)
        if not rows:
            break
        paths = find_closed_paths(edges)
        places, support = refine_peaks(edges, paths)
        radii = RHO[0] + places * (RHO[1] - RHO[0])
        coefficients, spread = fit_radii(radii, support)
        reasons = _judge(frames, support, spread)
        next_rows, next_ellipses = [], []
        points = frames.points(draw_radii(coefficients))
        moved = measure_moments(points)
        for index, row in enumerate(rows):
            if reasons[index]:
                found[row] = NoOutline(reasons[index])
                curves.pop(row, None)
                continue
            curves[row] = (frames.ellipses[index], coefficients[index], signs[index])
            if not _is_settled(frames.ellipses[index], moved[index]):
                next_rows.append(row)
                next_ellipses.append(moved[index])
        rows, ellipses = next_rows, np.array(next_ellipses).reshape(-1, 5)
    return _refine(patches, curves, found)


def _edge_maps(
    patches: dict[int, _Patch], rows: list[int], ellipses: Floats, found: list[Outline | NoOutline]
) -> tuple[list[int], Frames, Floats, list[float]]:
    radii = Frames(ellipses).mean_radius.tolist()
    kept, maps, signs = [], [], []
    for index, (row, radius) in enumerate(zip(rows, radii, strict=True)):
        x, y = place_points(ellipses[index], _ALONG, _ACROSS)
        grey = patches[row].grey
        is_inside = (x >= 0) & (y >= 0) & (x <= grey.shape[1]) & (y <= grey.shape[0])
        if np.mean(~is_inside[:, _INSIDE].all(axis=1)) > _MOST_RAYS_OUTSIDE:
            found[row] = NoOutline("Part of its rim lies outside the picture.")
            continue
        profiles = sample(grey, x, y)
        slopes = slope_along_rows(profiles, _edge_width_px(radius) / float((RHO[1] - RHO[0]) * radius))
        slopes[~is_inside] = 0.0
        picked = _pick_polarity(slopes)
        if picked is None:
            found[row] = NoOutline("No edge around it stands out from the grain.")
            continue
        kept.append(index)
        maps.append(picked[0])
        signs.append(picked[1])
    edges = np.array(maps, dtype=np.float64).reshape(-1, N_RAYS, len(RHO))
    return [rows[index] for index in kept], Frames(ellipses[kept]), edges, signs


def _edge_width_px(mean_radius: float) -> float:
    """Standard deviation of the edge filter: one pixel, or 3 % of the radius of a large object."""
    return max(1.0, 0.03 * mean_radius)


def _fine_width_px(mean_radius: float) -> float:
    return max(0.75, 0.015 * mean_radius)


def _pick_polarity(slopes: NDArray[np.float32]) -> tuple[NDArray[np.float32], float] | None:
    """Edge strength 0 to 1 of a rim darker than around it, or brighter where that is clearly stronger."""
    near_guess = slopes[:, _NEAR_GUESS]
    darker, brighter = (
        float(find_median(strongest)) for strongest in (near_guess.max(axis=1), -near_guess.min(axis=1))
    )
    sign, strength = (1.0, darker) if darker >= 0.6 * brighter else (-1.0, brighter)
    outside = slopes[:, _OUTSIDE]
    # What all rays share is the blurred foot of the rim or uneven light, not noise.
    noise = 1.4826 * float(find_median(np.abs(outside - find_median(outside)).ravel()))
    if strength <= max(_LEAST_EDGE_TO_NOISE * noise, _LEAST_STRENGTH):
        return None
    return np.clip(slopes * np.float32(sign / (1.5 * strength)), 0.0, 1.0), sign


def _judge(frames: Frames, support: Floats, spread: Floats) -> list[str]:
    """Why each row is no outline; empty where it is one."""
    share = np.mean(support >= _SUPPORTED_EDGE, axis=1)
    rough = spread * frames.mean_radius > _MOST_ROUGHNESS * frames.ellipses[:, 3]
    reasons = []
    for index in range(len(share)):
        if share[index] < _LEAST_SUPPORT:
            reasons.append(f"An edge shows on only {100 * share[index]:.0f} % of its rim.")
        elif rough[index]:
            reasons.append("The edges around it form no smooth closed line.")
        else:
            reasons.append("")
    return reasons


def _is_settled(one: Floats, other: Floats) -> bool:
    radius = 0.5 * math.sqrt(one[2] * one[3])
    return bool(np.abs(one[:4] - other[:4]).max() <= _SETTLED_SHARE * radius)


def _refine(
    patches: dict[int, _Patch],
    curves: dict[int, tuple[Floats, Floats, float]],
    found: list[Outline | NoOutline],
) -> dict[int, Outline]:
    """The edge sought again along the normals of each curve."""
    if not curves:
        return {}
    rows = list(curves)
    frames = Frames(np.array([curves[row][0] for row in rows]))
    points, normals = frames.outline(np.array([curves[row][1] for row in rows]))
    units = np.array([_fine_width_px(radius) for radius in frames.mean_radius])
    slopes = []
    for index, row in enumerate(rows):
        profiles = sample_along(patches[row].grey, points[index], normals[index], OFFSETS * units[index])
        slope = slope_along_rows(profiles, 2.0) * np.float32(curves[row][2])
        strength = float(find_median(slope[:, np.abs(OFFSETS) <= 2].max(axis=1)))
        slopes.append(np.clip(slope / max(1.5 * strength, 1e-6), 0.0, 1.0))
    edges = np.array(slopes, dtype=np.float64) * _NEAR
    is_near = np.abs(OFFSETS) <= _PLAY
    at = np.argmax(np.where(is_near, edges, -1.0), axis=2)
    places, support = refine_peaks(edges, at)
    offsets = (OFFSETS[0] + 0.5 * places) * units[:, None]
    series, spread = fit_radii(offsets, support)
    points = points + normals * draw_radii(series)[..., None]
    # Neighbouring rays share pixels; an edge position rests on about every second one.
    edge_sd = spread * math.sqrt((2 * HARMONICS + 1) / (N_RAYS / 2))
    outlines = {}
    guessed = np.array([patches[row].guess[2:4].prod() for row in rows])
    ellipses = measure_moments(points)
    ratios = ellipses[:, 2:4].prod(axis=1) / guessed
    for index, row in enumerate(rows):
        patch = patches[row]
        if not _AREA_RATIO[0] <= ratios[index] <= _AREA_RATIO[1]:
            found[row] = NoOutline("The only closed edge around it is not of the size that was guessed.")
            continue
        profiles = sample_along(patch.grey, points[index], normals[index], OFFSETS * units[index])
        outlines[row] = Outline(
            points=(points[index] + patch.origin) * patch.per_px,
            normals=normals[index],
            profiles=profiles.astype(np.float64),
            unit_px=float(units[index]) * patch.scale,
            edge_px_sd=float(edge_sd[index]) * patch.scale,
            sign=curves[row][2],
            rim=RimView(
                patch=patch.grey,
                ellipse=ellipses[index],
                origin=patch.origin,
                per_px=patch.per_px,
            ),
        )
    return outlines


def measure_moments(points: Floats) -> Floats:
    """Extents of closed outlines, as `measure_extents` gives them."""
    return measure_extents(points)[0]


def measure_extents(points: Floats) -> tuple[Floats, Floats]:
    """Extents of closed outlines along and across the long axis of their area, and that area.

    Parameters
    ----------
    points : ndarray of shape (N, K, 2)

    Returns
    -------
    ellipses : ndarray of shape (N, 5)
        cx, cy, length, width, angle in radians, -pi/2 < angle <= pi/2.
    areas : ndarray of shape (N,)
    """
    centre, turn, area = _principal_axes(points)
    cosine, sine = np.cos(turn)[:, None], np.sin(turn)[:, None]
    x, y = (points - centre[:, None]).transpose(2, 0, 1)
    along, across = x * cosine + y * sine, y * cosine - x * sine
    length, width = np.ptp(along, axis=1), np.ptp(across, axis=1)
    mid_along = (along.max(axis=1) + along.min(axis=1)) / 2
    mid_across = (across.max(axis=1) + across.min(axis=1)) / 2
    cx = centre[:, 0] + mid_along * cosine[:, 0] - mid_across * sine[:, 0]
    cy = centre[:, 1] + mid_along * sine[:, 0] + mid_across * cosine[:, 0]
    is_wide = width > length
    turned = np.where(turn <= 0, turn + np.pi / 2, turn - np.pi / 2)
    longer, shorter = np.maximum(length, width), np.minimum(length, width)
    return np.stack([cx, cy, longer, shorter, np.where(is_wide, turned, turn)], axis=1), area


def _principal_axes(points: Floats) -> tuple[Floats, Floats, Floats]:
    """Centroid, angle in radians and area inside closed polygons (Green's theorem)."""
    origin = points.mean(axis=1)
    x, y = (points - origin[:, None]).transpose(2, 0, 1)
    next_x, next_y = (np.concatenate((one[:, 1:], one[:, :1]), axis=1) for one in (x, y))
    cross = x * next_y - next_x * y
    area = cross.sum(axis=1) / 2
    mx = ((x + next_x) * cross).sum(axis=1) / (6 * area)
    my = ((y + next_y) * cross).sum(axis=1) / (6 * area)
    xx = ((x * x + x * next_x + next_x * next_x) * cross).sum(axis=1) / (12 * area) - mx * mx
    yy = ((y * y + y * next_y + next_y * next_y) * cross).sum(axis=1) / (12 * area) - my * my
    xy = ((x * next_y + 2 * x * y + 2 * next_x * next_y + next_x * y) * cross).sum(axis=1)
    xy = xy / (24 * area) - mx * my
    turn = 0.5 * np.arctan2(2 * xy, xx - yy)
    turn = np.where(turn <= -np.pi / 2, turn + np.pi, turn)
    return origin + np.stack([mx, my], axis=1), turn, np.abs(area)
