"""How a network is told the scale of a tile: one number for each doubling of the pixel size.

Each is 1 at its own pixel size, 0 at the next ones and beyond, and a share of 1 in between, so that what the
network adds for a scale changes evenly with the logarithm of the pixel size. A scale that nobody knows is
all 0.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

KNOTS_UM_PER_PX = (0.0625, 0.125, 0.25, 0.5, 1.0, 2.0)
"""Finer and coarser pixels are told as the first and the last."""


def encode_scales(um_per_px: Sequence[float | None] | NDArray[np.floating]) -> NDArray[np.float32]:
    """The codes of pixel sizes, of shape (N, number of knots).

    Parameters
    ----------
    um_per_px : sequence of float or None
        In µm; None or NaN where the scale isn't known.

    Raises
    ------
    ValueError
        If a pixel size is 0 or less.
    """
    sizes = np.array([np.nan if size is None else size for size in um_per_px], dtype=np.float64)
    if np.any(sizes <= 0):
        raise ValueError(f"um_per_px must be above 0, received {sizes.min()}.")
    knots = np.log2(KNOTS_UM_PER_PX)
    doublings = np.log2(sizes).clip(knots[0], knots[-1])
    shares = np.clip(1 - np.abs(doublings[:, None] - knots), 0.0, 1.0)
    codes: NDArray[np.float32] = np.nan_to_num(shares).astype(np.float32)
    return codes
