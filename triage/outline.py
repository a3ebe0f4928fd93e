"""Finds the outer outline of a candidate in the original pixels, to a fraction of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import ndimage

from triage.images import Picture
from triage.records import Ellipse

Floats = NDArray[np.float64]

_N_RAYS = 128
_ROUNDS = 3
_SETTLED_PX = 0.2
_RHO = (0.55, 1.45)
# Larger objects are searched in a reduced copy; the outline of so large an object is sure enough there.
_MOST_SEARCH_PX = 320.0
_LEAST_WIDTH_PX = 6.0
# Harmonics of the radius: 2 carry an ellipse seen from a displaced centre, 6 carry plugs and flat sides.
_HARMONICS = 6
# How strongly the search is held to the detector's own ellipse, against full edge support of 1.
_PRIOR_WEIGHT = 0.25
_PRIOR_SD = 0.2
# Of two edges as strong, the outer one is the shell's outside, the inner one its inside or the contents.
_OUTWARD = 1.0
_STEP_WEIGHT = 0.04
_MOST_STEP = 3
_LEAST_SUPPORT = 0.7
_SUPPORTED_EDGE = 0.3
_LEAST_EDGE_TO_NOISE = 3.0
_MOST_ROUGHNESS = 0.07
_AREA_RATIO = (0.6, 1.6)
_MOST_RAYS_OUTSIDE = 0.1
# Where on a blurred rim the outline lies is itself uncertain, by about this much at each end.
_EDGE_DEFINITION_SD_PX = 0.3
# On real shells found diameters scatter by about this share around hand-drawn ones: 0.9 % of the length and
# 1.1 % of the width (1.48 x median absolute deviation; 104 outlines from disturbed guesses in photographs of
# the CDC's DPDx library), the hand's own error included.
_RIM_RELATIVE_SD = 0.012


@dataclass(frozen=True)
class Outline:
    """A found outline: its ellipse and the standard uncertainty of both diameters, in original pixels."""

    ellipse: Ellipse
    length_px_sd: float
    width_px_sd: float


def find_outline(picture: Picture, guess: Ellipse) -> Outline | None:
    """The outer outline near a guessed ellipse, or None where the picture shows none.

    Parameters
    ----------
    picture : Picture
    guess : Ellipse
        In original pixels; may be off by about a quarter of its size.

    Returns
    -------
    outline : Outline or None
        `length_px` and `width_px` are the extents along and across the long axis (second moments of the
        outlined area), so the plugs of a barrel count. None also where the picture's edge cuts the object.

    Notes
    -----
    Rays leave the centre in the frame in which the guess is a circle. On each ray the edge is where
    brightness changes fastest; one closed path over all rays is chosen by dynamic programming, so that a
    bright grain on one ray can't pull it. The radius along the path is then fitted by a short Fourier series
    with outliers weighted down, and the search is repeated around the result.
    """
    if guess.width_px < _LEAST_WIDTH_PX or not np.isfinite(guess.length_px):
        return None
    patch = _cut_patch(picture, guess)
    found = _search_again(patch, patch.to_patch(guess))
    if found is None:
        return None
    ellipse, edge_sd_px = patch.to_picture(found[0]), found[1] / patch.factor
    area_ratio = ellipse.length_px * ellipse.width_px / (guess.length_px * guess.width_px)
    if not _AREA_RATIO[0] <= area_ratio <= _AREA_RATIO[1]:
        return None
    ends_px_sd = math.sqrt(2) * math.hypot(edge_sd_px, _EDGE_DEFINITION_SD_PX / min(1.0, patch.factor))
    return Outline(
        ellipse,
        length_px_sd=math.hypot(ends_px_sd, _RIM_RELATIVE_SD * ellipse.length_px),
        width_px_sd=math.hypot(ends_px_sd, _RIM_RELATIVE_SD * ellipse.width_px),
    )


@dataclass(frozen=True)
class _Patch:
    grey: Floats
    left: int
    top: int
    factor: float

    def to_patch(self, ellipse: Ellipse) -> Ellipse:
        factor = self.factor
        return Ellipse(
            (ellipse.cx * factor) - self.left,
            (ellipse.cy * factor) - self.top,
            ellipse.length_px * factor,
            ellipse.width_px * factor,
            ellipse.angle_deg,
        )

    def to_picture(self, ellipse: Ellipse) -> Ellipse:
        factor = self.factor
        return Ellipse(
            (ellipse.cx + self.left) / factor,
            (ellipse.cy + self.top) / factor,
            ellipse.length_px / factor,
            ellipse.width_px / factor,
            ellipse.angle_deg,
        )


def _cut_patch(picture: Picture, guess: Ellipse) -> _Patch:
    factor = min(1.0, _MOST_SEARCH_PX / guess.length_px)
    frame_hw = (max(1, round(picture.height * factor)), max(1, round(picture.width * factor)))
    reach = 0.5 * guess.length_px * factor * (_RHO[1] + 0.25) + 4
    left, top = (max(0, int(centre * factor - reach)) for centre in (guess.cx, guess.cy))
    right = min(frame_hw[1], int(guess.cx * factor + reach) + 1)
    bottom = min(frame_hw[0], int(guess.cy * factor + reach) + 1)
    scaled_to_hw = frame_hw if factor < 1 else None
    left, top = min(left, frame_hw[1] - 1), min(top, frame_hw[0] - 1)
    width, height = max(1, right - left), max(1, bottom - top)
    pixels = picture.read_region(left, top, width, height, scaled_to_hw=scaled_to_hw)
    return _Patch(pixels.astype(np.float64).mean(axis=2), left, top, factor)


def _search_again(patch: _Patch, guess: Ellipse) -> tuple[Ellipse, float] | None:
    found = None
    for _ in range(_ROUNDS):
        found = _search(patch, guess)
        if found is None or _is_close(found[0], guess):
            return found
        guess = found[0]
    return found


def _is_close(one: Ellipse, other: Ellipse) -> bool:
    values = (
        (one.cx, other.cx),
        (one.cy, other.cy),
        (one.length_px, other.length_px),
        (one.width_px, other.width_px),
    )
    return all(abs(a - b) < _SETTLED_PX for a, b in values)


def _search(patch: _Patch, guess: Ellipse) -> tuple[Ellipse, float] | None:
    """The outline as an ellipse of the patch and the uncertainty of one edge in its pixels."""
    mean_radius = 0.5 * float(np.sqrt(guess.length_px * guess.width_px))
    edge_px = _edge_width_px(mean_radius)
    n_steps = max(16, round((_RHO[1] - _RHO[0]) * mean_radius / (0.5 * edge_px)))
    rho = np.linspace(*_RHO, n_steps)
    profiles, is_inside = _sample_rays(patch.grey, guess, rho)
    if np.mean(~is_inside[:, rho <= 1.1].all(axis=1)) > _MOST_RAYS_OUTSIDE:
        return None
    edge_steps = edge_px / float((rho[1] - rho[0]) * mean_radius)
    slopes = ndimage.gaussian_filter1d(profiles, edge_steps, axis=1, order=1, mode="nearest")
    slopes[~is_inside] = 0.0
    edges = _pick_polarity(slopes, rho)
    if edges is None:
        return None
    path = _find_closed_path(edges, rho)
    support = edges[np.arange(_N_RAYS), path]
    if np.mean(support >= _SUPPORTED_EDGE) < _LEAST_SUPPORT:
        return None
    radii = _refine(edges, path, rho)
    smooth, residual_sd = _fit_radii(radii, support)
    if residual_sd * mean_radius > _MOST_ROUGHNESS * guess.width_px:
        return None
    # Neighbouring rays share pixels; an edge position rests on about every second one.
    edge_sd = residual_sd * mean_radius * float(np.sqrt((2 * _HARMONICS + 1) / (_N_RAYS / 2)))
    return _measure_extents(_to_points(smooth, guess)), edge_sd


def _angles() -> Floats:
    return np.linspace(0.0, 2 * np.pi, _N_RAYS, endpoint=False, dtype=np.float64)


def _to_points(radii: Floats, frame: Ellipse) -> Floats:
    """Points (..., 2) as x, y for radii (rays, ...) in the frame in which `frame` is the unit circle."""
    angles = _angles().reshape(-1, *([1] * (radii.ndim - 1)))
    along = radii * np.cos(angles) * frame.length_px / 2
    across = radii * np.sin(angles) * frame.width_px / 2
    turn = np.deg2rad(frame.angle_deg)
    x = frame.cx + along * np.cos(turn) - across * np.sin(turn)
    y = frame.cy + along * np.sin(turn) + across * np.cos(turn)
    return np.stack([x, y], axis=-1)


def _sample_rays(grey: Floats, guess: Ellipse, rho: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    points = _to_points(np.broadcast_to(rho, (_N_RAYS, len(rho))), guess)
    # Pixel edges are whole numbers, so the middle of the first pixel is 0.5.
    rows, columns = points[..., 1] - 0.5, points[..., 0] - 0.5
    profiles: Floats = ndimage.map_coordinates(grey, [rows, columns], order=1, mode="nearest")
    height, width = grey.shape
    is_inside = (rows >= -0.5) & (columns >= -0.5) & (rows <= height - 0.5) & (columns <= width - 0.5)
    return profiles, is_inside


def _edge_width_px(mean_radius: float) -> float:
    """Standard deviation of the edge filter: one pixel, or 3 % of the radius of a large object."""
    return max(1.0, 0.03 * mean_radius)


def _pick_polarity(slopes: Floats, rho: Floats) -> Floats | None:
    """Edge strength 0 to 1 of a rim darker than around it, or brighter where that is clearly stronger."""
    strengths = []
    for sign in (1.0, -1.0):
        near_guess = np.abs(rho - 1) <= 0.25
        strengths.append(float(np.median((sign * slopes)[:, near_guess].max(axis=1))))
    sign, strength = (1.0, strengths[0]) if strengths[0] >= 0.6 * strengths[1] else (-1.0, strengths[1])
    outside = slopes[:, rho >= 1.2]
    # What all rays share is the blurred foot of the rim or uneven light, not noise.
    noise = 1.4826 * float(np.median(np.abs(outside - np.median(outside, axis=0))))
    if strength <= max(_LEAST_EDGE_TO_NOISE * noise, 1e-6):
        return None
    edges: Floats = np.clip(sign * slopes / (1.5 * strength), 0.0, 1.0)
    return edges


def _find_closed_path(edges: Floats, rho: Floats) -> NDArray[np.int64]:
    """For each ray the radial step of the best closed path (the middle of one and a half rounds)."""
    reward = edges * (1 + _OUTWARD * (rho - 1)) - _PRIOR_WEIGHT * ((rho - 1) / _PRIOR_SD) ** 2
    n = _N_RAYS + _N_RAYS // 2
    order = np.arange(n) % _N_RAYS
    came_from = np.zeros((n, len(rho)), dtype=np.int64)
    best = np.full(len(rho) + 2 * _MOST_STEP, -np.inf)
    inner = slice(_MOST_STEP, -_MOST_STEP)
    # Row k of this view is `best` moved by k - _MOST_STEP steps.
    moved = sliding_window_view(best, len(rho))
    penalties = _STEP_WEIGHT * np.abs(np.arange(-_MOST_STEP, _MOST_STEP + 1))[:, None]
    best[inner] = reward[0]
    for position in range(1, n):
        options = moved - penalties
        came_from[position] = options.argmax(axis=0)
        best[inner] = options.max(axis=0) + reward[order[position]]
    came_from += np.arange(len(rho)) - _MOST_STEP
    path = np.zeros(n, dtype=np.int64)
    path[-1] = int(np.argmax(best[inner]))
    for position in range(n - 1, 0, -1):
        path[position - 1] = came_from[position, path[position]]
    middle = slice(_N_RAYS // 4, _N_RAYS // 4 + _N_RAYS)
    closed = np.empty(_N_RAYS, dtype=np.int64)
    closed[order[middle]] = path[middle]
    return closed


def _refine(edges: Floats, path: NDArray[np.int64], rho: Floats) -> Floats:
    """Radii at the top of a parabola through three steps."""
    middle = np.clip(path, 1, len(rho) - 2)
    rays = np.arange(len(path))
    before, top, after = (edges[rays, middle + shift] for shift in (-1, 0, 1))
    bend = before - 2 * top + after
    shift = np.divide(before - after, 2 * bend, out=np.zeros_like(bend), where=bend < -1e-9)
    radii: Floats = rho[middle] + np.clip(shift, -1, 1) * (rho[1] - rho[0])
    return radii


def _fit_radii(radii: Floats, support: Floats) -> tuple[Floats, float]:
    """Fourier series through the radii with Tukey's weights, and the standard deviation of what it leaves."""
    angles = _angles()
    orders = np.arange(1, _HARMONICS + 1)
    basis = np.concatenate(
        [np.ones((_N_RAYS, 1)), np.cos(angles[:, None] * orders), np.sin(angles[:, None] * orders)], axis=1
    )
    weights = np.clip(support, 0.05, 1.0)
    smooth, spread = radii, 0.0
    for _ in range(6):
        scaled = np.sqrt(weights)[:, None]
        coefficients = np.linalg.lstsq(basis * scaled, radii * scaled[:, 0], rcond=None)[0]
        smooth = basis @ coefficients
        left = radii - smooth
        spread = max(1.4826 * float(np.median(np.abs(left))), 1e-6)
        weights = (
            np.clip(support, 0.05, 1.0) * np.clip(1 - (left / (4.685 * spread)) ** 2, 0, None) ** 2 + 1e-6
        )
    return np.asarray(smooth, dtype=np.float64), spread


def _measure_extents(points: Floats) -> Ellipse:
    """Extents of a closed outline along and across the long axis of its area."""
    centre, angle = _principal_axis(points)
    turn = np.deg2rad(angle)
    along = (points - centre) @ np.array([np.cos(turn), np.sin(turn)])
    across = (points - centre) @ np.array([-np.sin(turn), np.cos(turn)])
    length, width = np.ptp(along), np.ptp(across)
    mid_along, mid_across = (along.max() + along.min()) / 2, (across.max() + across.min()) / 2
    cx = centre[0] + mid_along * np.cos(turn) - mid_across * np.sin(turn)
    cy = centre[1] + mid_along * np.sin(turn) + mid_across * np.cos(turn)
    if width > length:
        length, width, angle = width, length, angle + 90 if angle <= 0 else angle - 90
    return Ellipse(float(cx), float(cy), float(length), float(width), float(angle))


def _principal_axis(points: Floats) -> tuple[Floats, float]:
    """Centroid and angle (-90 < angle <= 90) of the area inside a closed polygon (Green's theorem)."""
    origin = points.mean(axis=0)
    x, y = (points - origin).T
    next_x, next_y = np.roll(x, -1), np.roll(y, -1)
    cross = x * next_y - next_x * y
    area = cross.sum() / 2
    mx = ((x + next_x) * cross).sum() / (6 * area)
    my = ((y + next_y) * cross).sum() / (6 * area)
    xx = ((x * x + x * next_x + next_x * next_x) * cross).sum() / (12 * area) - mx * mx
    yy = ((y * y + y * next_y + next_y * next_y) * cross).sum() / (12 * area) - my * my
    xy = ((x * next_y + 2 * x * y + 2 * next_x * next_y + next_x * y) * cross).sum() / (24 * area) - mx * my
    angle = float(np.rad2deg(0.5 * np.arctan2(2 * xy, xx - yy)))
    return origin + np.array([mx, my]), angle if angle > -90 else angle + 180
