"""Many outlines sought at once in polar frames: the arrays behind `triage.outline`.

Every candidate has its own frame, in which its guessed ellipse is the unit circle. Arrays hold one candidate
a row, so that the steps of the search cost one call for all; no row's result depends on the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.percentiles import find_median

Floats = NDArray[np.float64]

N_RAYS = 72
N_STEPS = 64
RHO = np.linspace(0.55, 1.45, N_STEPS)
ANGLES = np.linspace(0.0, 2 * np.pi, N_RAYS, endpoint=False)
# Harmonics of the radius: 2 carry an ellipse seen from a displaced centre, 6 carry plugs and flat sides.
HARMONICS = 6
_ORDERS = np.arange(1, HARMONICS + 1)
_BASIS = np.concatenate(
    [np.ones((N_RAYS, 1)), np.cos(ANGLES[:, None] * _ORDERS), np.sin(ANGLES[:, None] * _ORDERS)], axis=1
)
_BASIS_SLOPE = np.concatenate(
    [
        np.zeros((N_RAYS, 1)),
        -_ORDERS * np.sin(ANGLES[:, None] * _ORDERS),
        _ORDERS * np.cos(ANGLES[:, None] * _ORDERS),
    ],
    axis=1,
)
# How strongly the search is held to the guess, against full edge support of 1.
_PRIOR_WEIGHT = 0.25
_PRIOR_SD = 0.2
# Of two edges as strong, the outer one is the shell's outside, the inner one its inside or the contents.
_OUTWARD = 1.0
_STEP_WEIGHT = 0.0225
_MOST_STEP = 5
_STEPS = np.arange(-_MOST_STEP, _MOST_STEP + 1)
_PENALTIES = _STEP_WEIGHT * np.abs(_STEPS)
_FIT_ROUNDS = 5
_LEAST_SUPPORT = 0.05


@dataclass(frozen=True)
class Frames:
    """Ellipses (N, 5) `cx, cy, length, width, angle in radians`, in pixels of each candidate's patch."""

    ellipses: Floats

    @property
    def mean_radius(self) -> Floats:
        """Radius (N,) of the circle of the same area."""
        radius: Floats = 0.5 * np.sqrt(self.ellipses[:, 2] * self.ellipses[:, 3])
        return radius

    def points(self, radii: Floats) -> Floats:
        """Points (N, rays, 2) at these radii (N, rays), as x, y."""
        return self._place(radii * np.cos(ANGLES), radii * np.sin(ANGLES))

    def outline(self, coefficients: Floats) -> tuple[Floats, Floats]:
        """Points and outward unit normals (N, rays, 2) of the curves that the coefficients (N, C) draw."""
        radii, steps = draw_radii(coefficients), _sum_series(_BASIS_SLOPE, coefficients)
        cosine, sine = np.cos(ANGLES), np.sin(ANGLES)
        points = self._place(radii * cosine, radii * sine)
        tangents = self._place(steps * cosine - radii * sine, steps * sine + radii * cosine)
        tangents -= self.ellipses[:, None, :2]
        normals = np.stack([tangents[..., 1], -tangents[..., 0]], axis=-1)
        length = np.linalg.norm(normals, axis=-1, keepdims=True)
        return points, normals / np.maximum(length, 1e-9)

    def radial_px(self) -> Floats:
        """Pixels (N, rays) that one unit of the radius spans on each ray."""
        along = np.cos(ANGLES) * self.ellipses[:, 2, None] / 2
        across = np.sin(ANGLES) * self.ellipses[:, 3, None] / 2
        spans: Floats = np.hypot(along, across)
        return spans

    def _place(self, u: Floats, v: Floats) -> Floats:
        cx, cy, length, width, turn = self.ellipses.T[:, :, None]
        along, across = u * length / 2, v * width / 2
        x = cx + along * np.cos(turn) - across * np.sin(turn)
        y = cy + along * np.sin(turn) + across * np.cos(turn)
        return np.stack([x, y], axis=-1)


def sample(grey: NDArray[np.float32], x: Floats, y: Floats) -> NDArray[np.float32]:
    """Brightness at points whose x and y are given, each (rays, steps)."""
    # Pixel edges are whole numbers, so the middle of the first pixel is 0.5.
    columns, rows = (x - 0.5).astype(np.float32), (y - 0.5).astype(np.float32)
    values: NDArray[np.float32] = cv2.remap(  # type: ignore[assignment]
        grey, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return values


def sample_along(
    grey: NDArray[np.float32], points: Floats, normals: Floats, offsets: Floats
) -> NDArray[np.float32]:
    """Brightness (rays, offsets) along the normals (rays, 2) at points (rays, 2)."""
    x, y = (points[:, axis, None] + normals[:, axis, None] * offsets for axis in (0, 1))
    return sample(grey, x, y)


def slope_along_rows(profiles: NDArray[np.float32], sd_steps: float) -> NDArray[np.float32]:
    """Slope of each row after smoothing by a Gaussian of this many steps."""
    reach = max(1, round(3 * sd_steps))
    at = np.arange(-reach, reach + 1)
    bell = np.exp(-0.5 * (at / sd_steps) ** 2)
    kernel = (at * bell / (sd_steps**2 * bell.sum())).astype(np.float32)
    slopes: NDArray[np.float32] = cv2.filter2D(  # type: ignore[assignment]
        profiles, cv2.CV_32F, kernel[None], borderType=cv2.BORDER_REPLICATE
    )
    return slopes


def find_closed_paths(edges: Floats) -> NDArray[np.int64]:
    """For each ray the radial step of the best closed path (the middle of one and a half rounds).

    Parameters
    ----------
    edges : ndarray of shape (N, N_RAYS, N_STEPS), 0 to 1

    Returns
    -------
    paths : ndarray of shape (N, N_RAYS)
    """
    reward = edges * (1 + _OUTWARD * (RHO - 1)) - _PRIOR_WEIGHT * ((RHO - 1) / _PRIOR_SD) ** 2
    # With the candidates last, each operation goes through memory from end to end.
    reward = np.ascontiguousarray(reward.transpose(1, 2, 0))
    n, rounds = len(edges), N_RAYS + N_RAYS // 2
    best = np.full((rounds, N_STEPS + 2 * _MOST_STEP, n), -np.inf)
    inside = slice(_MOST_STEP, -_MOST_STEP)
    best[0, inside] = reward[0]
    for position in range(1, rounds):
        last = best[position - 1]
        highest = last[inside]
        for steps in range(1, _MOST_STEP + 1):
            inner = last[_MOST_STEP - steps : _MOST_STEP - steps + N_STEPS]
            outer = last[_MOST_STEP + steps : _MOST_STEP + steps + N_STEPS]
            highest = np.maximum(highest, np.maximum(inner, outer) - _STEP_WEIGHT * steps)
        np.add(highest, reward[position % N_RAYS], out=best[position, inside])
    return _walk_back(best, best[-1, inside].argmax(axis=0))


def _walk_back(best: Floats, last: NDArray[np.int64]) -> NDArray[np.int64]:
    rounds, _, n = best.shape
    flat = best.reshape(rounds, -1)
    # Where the options of the innermost step lie.
    options = n * (_STEPS + _MOST_STEP)[:, None] + np.arange(n)
    walked = np.empty((rounds, n), dtype=np.int64)
    walked[-1] = last
    for position in range(rounds - 1, 0, -1):
        reached = flat[position - 1].take(options + n * walked[position]) - _PENALTIES[:, None]
        walked[position - 1] = walked[position] + reached.argmax(axis=0) - _MOST_STEP
    paths = np.empty((n, N_RAYS), dtype=np.int64)
    middle = np.arange(N_RAYS // 4, N_RAYS // 4 + N_RAYS)
    paths[:, middle % N_RAYS] = walked[middle].T
    return paths


def refine_peaks(edges: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Places (N, rays), in steps, of the top of a parabola around `at`, and its height."""
    middle = np.clip(at, 1, edges.shape[2] - 2)
    before, top, after = (
        np.take_along_axis(edges, (middle + shift)[..., None], axis=2)[..., 0] for shift in (-1, 0, 1)
    )
    bend = before - 2 * top + after
    shift = np.divide(before - after, 2 * bend, out=np.zeros_like(bend), where=bend < -1e-9)
    return middle + np.clip(shift, -1, 1), top


def fit_radii(radii: Floats, support: Floats) -> tuple[Floats, Floats]:
    """Fourier series through radii (N, rays) with Tukey's weights, and the spread (N,) of what it leaves.

    Returns
    -------
    coefficients : ndarray of shape (N, 2 * HARMONICS + 1)
    spread : ndarray of shape (N,)
        1.4826 times the median absolute deviation.
    """
    trust = np.clip(support, _LEAST_SUPPORT, 1.0)
    weights = trust
    coefficients, spread = np.zeros((len(radii), _BASIS.shape[1])), np.zeros(len(radii))
    for _ in range(_FIT_ROUNDS):
        weighted = weights[..., None] * _BASIS
        normal = np.matmul(weighted.transpose(0, 2, 1), np.broadcast_to(_BASIS, weighted.shape))
        right = np.matmul(weighted.transpose(0, 2, 1), radii[..., None])
        coefficients = np.linalg.solve(normal, right)[..., 0]
        left = radii - draw_radii(coefficients)
        spread = np.maximum(1.4826 * find_median(np.abs(left).T), 1e-6)
        weights = trust * np.clip(1 - (left / (4.685 * spread[:, None])) ** 2, 0, None) ** 2 + 1e-6
    return coefficients, spread


def draw_radii(coefficients: Floats) -> Floats:
    """Radii (N, rays) of the curves that the coefficients draw."""
    return _sum_series(_BASIS, coefficients)


def _sum_series(basis: Floats, coefficients: Floats) -> Floats:
    # A matrix product of the whole could round a row by what stands beside it.
    radii: Floats = (basis * coefficients[:, None]).sum(axis=-1)
    return radii
