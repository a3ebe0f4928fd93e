"""The frame in which a rim is read: rays from an ellipse's centre, the ellipse being the unit circle."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

N_RAYS = 72
ANGLES = np.linspace(0.0, 2 * np.pi, N_RAYS, endpoint=False)
RIM_RHO = np.linspace(0.6, 1.4, 96)
"""Where grey values are read on each ray, in radii of the ellipse."""


_COSINE, _SINE = np.cos(ANGLES), np.sin(ANGLES)
_ALONG, _ACROSS = RIM_RHO * _COSINE[:, None], RIM_RHO * _SINE[:, None]

Floats = NDArray[np.float64]


def unroll_points(ellipse: Floats) -> tuple[Floats, Floats]:
    """x and y, each (N_RAYS, len(RIM_RHO)), at which the rim of an ellipse is read; see `place_points`."""
    return place_points(ellipse, _ALONG, _ACROSS)


def place_in_frame(ellipse: Floats, radii: Floats) -> Floats:
    """Points (N_RAYS, 2), as x, y, at radii (N_RAYS,) on the rays of an ellipse's frame."""
    return np.stack(place_points(ellipse, radii * _COSINE, radii * _SINE), axis=-1)


def place_points(ellipse: Floats, along: Floats, across: Floats) -> tuple[Floats, Floats]:
    """x and y of points given in the frame in which an ellipse is the unit circle.

    Parameters
    ----------
    ellipse : ndarray of shape (5,)
        cx, cy, length, width, angle in radians, in pixels.
    along, across : ndarray of one shape
        Along the long axis and across it.
    """
    cx, cy, length, width, turn = ellipse.tolist()
    cosine, sine = math.cos(turn) / 2, math.sin(turn) / 2
    x = cx + along * (length * cosine) - across * (width * sine)
    y = cy + along * (length * sine) + across * (width * cosine)
    return x, y
