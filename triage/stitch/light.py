"""The light that all fields of a scan share, and how much brighter each one was taken than its neighbours."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import lsqr

# Objects darken: the brighter fields at each place show the lamp (our choice, held by drawn scans).
_LAMP_PERCENT = 70
_FLUID_PERCENT = 75
_DEGREE = 4
_ROUNDS = 6
_DARKENED_LOG = -0.03
_LIGHT_RANGE = (0.2, 3.0)
# How sure we are beforehand that two fields were taken equally bright, against one overlap's median.
_PRIOR = 0.1
_LEAST_SHARED_PX = 30


def estimate_light(small: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light over the field by colour, shape (h, w, 3), 1 on average.

    Parameters
    ----------
    small : ndarray of shape (N, h, w, 3)
        Reduced copies of all fields.

    Notes
    -----
    Each field is divided by the brightness of its fluid; what most fields share at a place is the lamp and
    the lens. A smooth surface of fourth degree is laid through it, so that an object that several fields
    happen to show at one place does not count as light.
    """
    fluid = np.percentile(small, _FLUID_PERCENT, axis=(1, 2), keepdims=True).clip(1)
    shared = np.percentile(small / fluid, _LAMP_PERCENT, axis=0)
    height, width = small.shape[1:3]
    y, x = np.meshgrid(np.linspace(-1, 1, height), np.linspace(-1, 1, width), indexing="ij")
    terms = np.stack(
        [x.ravel() ** a * y.ravel() ** b for a in range(_DEGREE + 1) for b in range(_DEGREE + 1 - a)], axis=1
    )
    light = np.empty((height, width, 3), np.float32)
    for colour in range(3):
        logs = np.log(shared[..., colour].clip(1e-3)).ravel()
        surface = np.exp(_fit_surface(terms, logs)).reshape(height, width)
        light[..., colour] = (surface / surface.mean()).clip(*_LIGHT_RANGE)
    return light


def _fit_surface(terms: NDArray[np.float64], logs: NDArray[np.float64]) -> NDArray[np.float64]:
    kept = np.ones(len(logs), dtype=bool)
    surface = logs
    for _ in range(_ROUNDS):
        surface = terms @ np.linalg.lstsq(terms[kept], logs[kept], rcond=None)[0]
        kept = logs - surface > _DARKENED_LOG
        if kept.sum() < 4 * terms.shape[1]:
            break
    return surface


def estimate_gains(
    even: NDArray[np.float32], small_xy: NDArray[np.float64], pairs: Sequence[tuple[int, int]]
) -> NDArray[np.float32]:
    """Factor by colour, shape (N, 3), that makes overlapping fields equally bright.

    Parameters
    ----------
    even : ndarray of shape (N, h, w, 3)
        Reduced copies under even light.
    small_xy : ndarray of shape (N, 2)
        Places in pixels of the reduced copies.
    pairs : sequence of (int, int)
        Fields that overlap.
    """
    rows, values = [], []
    for first, second in pairs:
        ours, theirs = _cut_shared(even[first], even[second], small_xy[second] - small_xy[first])
        if ours.shape[0] * ours.shape[1] >= _LEAST_SHARED_PX:
            rows.append((first, second))
            levels = [np.median(each, axis=(0, 1)).clip(1) for each in (ours, theirs)]
            values.append(np.log(levels[1] / levels[0]))
    n = len(even)
    if not rows:
        return np.ones((n, 3), np.float32)
    at = np.repeat(np.arange(len(rows)), 2)
    signs = np.tile([1.0, -1.0], len(rows))
    shared = csr_matrix((signs, (at, np.ravel(rows))), shape=(len(rows), n))
    logs = np.stack([lsqr(shared, np.array(values)[:, c], damp=_PRIOR)[0] for c in range(3)], axis=1)
    gains: NDArray[np.float32] = np.exp(logs).clip(0.5, 2.0).astype(np.float32)
    return gains


def _cut_shared(
    ours: NDArray[np.float32], theirs: NDArray[np.float32], offset_xy: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The part of each of two fields that the other shows too; `offset_xy` is theirs against ours."""
    dx, dy = (round(float(value)) for value in offset_xy)
    height, width = ours.shape[:2]
    left, right, top, bottom = max(0, dx), min(width, width + dx), max(0, dy), min(height, height + dy)
    if right <= left or bottom <= top:
        return ours[:0, :0], theirs[:0, :0]
    return ours[top:bottom, left:right], theirs[top - dy : bottom - dy, left - dx : right - dx]


def even_pixels(
    pixels: NDArray[np.uint8], light: NDArray[np.float32], gain: NDArray[np.float32]
) -> NDArray[np.uint8]:
    """The field as it would look under even light, shape (H, W, 3).

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3)
    light : ndarray of shape (h, w, 3)
        From `estimate_light`.
    gain : ndarray of shape (3,)
    """
    height, width = pixels.shape[:2]
    lamp = cv2.resize(light, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.rint(pixels / lamp * gain).clip(0, 255).astype(np.uint8)
