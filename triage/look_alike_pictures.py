"""Finds pictures that show the same thing twice: saved again, in another format, size or quality.

A picture's hash is the signs of the low frequencies of its cosine transform. The same picture saved again
differs from itself in few bits; two pictures of different places differ in about half of them. A picture that
was turned, mirrored or cut is not found.

References
----------
The construction of a perceptual hash by cosine transform (shrink, transform, keep low frequencies, compare
with their median) is common practice, no source; size and threshold are ours, measured on drawn slides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray
from scipy.fft import dctn

SIDE_PX = 64
"""Pictures are shrunk to a square of so many pixels a side."""
FREQUENCIES = 16
"""Lowest frequencies kept in each direction."""
MOST_DIFFERING_BITS = 40
"""Pictures that differ in no more bits, of 255, are said to look alike. Of 160 drawn slides, each saved again
at 0.37 of its size as JPEG of quality 40 differed from itself in 16 or fewer, two slides in 68 or more."""

Bits = NDArray[np.bool_]


@dataclass(frozen=True)
class LookAlike:
    """Two pictures by their places in a row, and in how many of 255 bits they differ."""

    first: int
    second: int
    differing_bits: int


def hash_picture(picture: pyvips.Image) -> Bits:
    """The hash of a picture, 255 bits.

    Parameters
    ----------
    picture : pyvips.Image
        Upright, RGB, 8 bits.
    """
    small = picture.colourspace("b-w").thumbnail_image(SIDE_PX, height=SIDE_PX, size="force")
    return hash_pixels(np.asarray(small.numpy(), dtype=np.float64).reshape(SIDE_PX, SIDE_PX, -1)[:, :, 0])


def hash_pixels(grey: NDArray[np.float64]) -> Bits:
    """The hash of grey values (`SIDE_PX`, `SIDE_PX`): whether each low frequency lies above their median."""
    low = dctn(grey, norm="ortho")[:FREQUENCIES, :FREQUENCIES].ravel()[1:]
    return np.asarray(low > np.median(low))


def find_look_alikes(hashes: Sequence[Bits], *, most_bits: int = MOST_DIFFERING_BITS) -> list[LookAlike]:
    """Every pair of pictures whose hashes differ in at most `most_bits`, in order.

    Parameters
    ----------
    hashes : sequence of ndarray of shape (255,), bool
    most_bits : int
    """
    if not hashes:
        return []
    signs = np.where(np.stack(hashes), 1.0, -1.0).astype(np.float32)
    n_bits = signs.shape[1]
    pairs: list[LookAlike] = []
    for first in range(len(hashes) - 1):
        differing = np.rint((n_bits - signs[first + 1 :] @ signs[first]) / 2).astype(np.int64)
        pairs += [
            LookAlike(first, first + 1 + int(place), int(differing[place]))
            for place in np.flatnonzero(differing <= most_bits)
        ]
    return pairs
