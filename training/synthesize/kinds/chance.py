"""Random draws that the kinds share: sizes out of published ranges, tints, choices."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
Range = tuple[float, float]
SizeRange = tuple[float, float, float, float]
"""length_min, length_max, width_min, width_max, in µm."""

# Ratios of density in red, green and blue, from memory of unstained and iodine-stained wet mounts.
GREY = (1.0, 1.0, 1.05)
OLIVE = (0.55, 0.6, 1.0)
GOLD = (0.16, 0.4, 1.0)
BROWN = (0.42, 0.64, 1.0)
RUST = (0.3, 0.85, 1.1)
PURPLE = (0.45, 1.0, 0.4)
GREEN = (0.9, 0.35, 1.0)


def uniform(rng: np.random.Generator, n: int, span: Range) -> Array:
    """Even draw between the two ends of `span`, shape (n,)."""
    return rng.uniform(span[0], span[1], n).astype(np.float32)


def log_uniform(rng: np.random.Generator, n: int, low: float, high: float) -> Array:
    """Draw even in the logarithm, shape (n,): many small, few large."""
    return np.exp(rng.uniform(np.log(low), np.log(high), n)).astype(np.float32)


def log_even(rng: np.random.Generator, low: float, high: float) -> float:
    """One number, even in the logarithm."""
    return float(log_uniform(rng, 1, low, high)[0])


def happens(rng: np.random.Generator, n: int, share: float) -> Array:
    """1 with probability `share`, else 0, shape (n,)."""
    return (rng.random(n) < share).astype(np.float32)


def draw_size(
    rng: np.random.Generator, n: int, ranges: Sequence[SizeRange], *, margin: float = 0.1
) -> tuple[Array, Array]:
    """Length and width, each of shape (n,), of a taxon picked for each object.

    Most lie inside the published range, the rest up to `margin` beyond it; long ones tend to be wide,
    the more so where the two ranges overlap (round objects).
    """
    table = np.asarray(ranges, np.float64)[rng.integers(0, len(ranges), n)]
    length_min, length_max, _, width_max = table.T
    alike = np.clip((width_max - length_min) / np.maximum(length_max - length_min, 1e-6), 0, 1)
    own_share = 0.8 - 0.6 * alike
    common, own = rng.normal(size=n), rng.normal(size=(2, n))
    place = 0.5 + 0.28 * (np.sqrt(1 - own_share**2) * common + own_share * own)
    low = table[:, [0, 2]].T * (1 - 0.95 * margin)
    high = table[:, [1, 3]].T * (1 + 0.95 * margin)
    middle = table[:, [0, 2]].T + place * (table[:, [1, 3]] - table[:, [0, 2]]).T
    sizes = np.clip(middle * rng.normal(1.0, 0.025, (2, n)), low, high)
    return sizes.max(0).astype(np.float32), sizes.min(0).astype(np.float32)


def draw_tint(
    rng: np.random.Generator, n: int, palette: Sequence[tuple[float, float, float]], strength: Range
) -> Array:
    """Density per µm in red, green and blue, shape (n, 3): a mixture of the palette at a drawn strength."""
    mixture = rng.dirichlet(np.full(len(palette), 0.6), n) if len(palette) > 1 else np.ones((n, 1))
    scatter = rng.normal(1.0, 0.05, (n, 3))
    low, high = np.log(max(strength[0], 1e-6)), np.log(max(strength[1], 1e-6))
    level = np.exp(rng.uniform(low, high, (n, 1)))
    return np.clip(mixture @ np.asarray(palette) * scatter * level, 0.0, None).astype(np.float32)
