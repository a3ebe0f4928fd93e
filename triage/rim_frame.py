"""The frame in which a rim is read: rays from an ellipse's centre, the ellipse being the unit circle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

N_RAYS = 72
ANGLES = np.linspace(0.0, 2 * np.pi, N_RAYS, endpoint=False)
RIM_RHO = np.linspace(0.6, 1.4, 96)
"""Where grey values are read on each ray, in radii of the ellipse."""


def unroll_points(ellipse: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (N_RAYS, len(RIM_RHO), 2), as x, y, at which the rim of an ellipse is read.

    Parameters
    ----------
    ellipse : ndarray of shape (5,)
        cx, cy, length, width, angle in radians, in pixels.
    """
    return place_in_frame(ellipse, np.broadcast_to(RIM_RHO, (N_RAYS, len(RIM_RHO))))


def place_in_frame(ellipse: NDArray[np.float64], radii: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (N_RAYS, ..., 2), as x, y, at radii (N_RAYS, ...) on the rays of an ellipse's frame."""
    cx, cy, length, width, turn = ellipse
    angles = ANGLES.reshape(-1, *(1,) * (radii.ndim - 1))
    along, across = radii * np.cos(angles) * length / 2, radii * np.sin(angles) * width / 2
    x = cx + along * np.cos(turn) - across * np.sin(turn)
    y = cy + along * np.sin(turn) + across * np.cos(turn)
    return np.stack([x, y], axis=-1)
