"""Overlaps that the places imply but no pair rests on: whether what both fields show there agrees."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from triage.stitch.contradiction import compare_shared
from triage.stitch.fields import Fields, GreyReader
from triage.stitch.neighbours import list_sharing
from triage.stitch.place import Found
from triage.stitch.stiff import rotate

# Fields that lie rightly, and yet are no pair, contradict each other in up to 4 of 15 patches (drawn scans).
_MOST_SHARE = 0.4


def find_contradicting(fields: Fields, found: Found, is_in: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Placed fields that should show the same and don't, by their numbers, the smaller first.

    Parameters
    ----------
    fields : Fields
    found : Found
    is_in : ndarray of shape (N,)
        Which fields are placed.

    Notes
    -----
    A pair was compared all over when it was found. Here come those that were never proposed, or found
    nothing in common: of fields that lie rightly they show little, or were changed in between.
    """
    implied = _list_implied(fields.shape_hw, found, is_in)
    if not implied:
        return ()
    greys = GreyReader(fields, found.light.mean(axis=2))
    return tuple(pair for pair in implied if _contradicts(*pair, found, greys))


def _list_implied(shape_hw: tuple[int, int], found: Found, is_in: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Placed fields that share enough by their places, less those that are pairs."""
    paired = {(pair.first, pair.second) for pair in found.places.kept}
    sharing = [(first, second) for first, second, _, _ in list_sharing(found.places, shape_hw)]
    return [pair for pair in sharing if is_in[list(pair)].all() and pair not in paired]


def _contradicts(first: int, second: int, found: Found, greys: GreyReader) -> bool:
    middle_xy = found.places.middle_xy[[first, second]]
    # Any two points say how the fields lie; these are far apart.
    anchors = middle_xy.mean(axis=0) + np.array([(-100.0, -100.0), (100.0, 100.0)])
    ours, theirs = greys.read(first), greys.read(second)
    ours_xy, theirs_xy = (
        # From the right it takes rows of places in the mosaic back into the field.
        (anchors - found.places.middle_xy[one]) @ rotate(float(found.places.turn_rad[one]))
        for one in (first, second)
    )
    grain = max(greys.measure_grain(first), greys.measure_grain(second))
    agreement = compare_shared(ours, theirs, ours_xy, theirs_xy, has_turn=True, grain=grain)
    return agreement.is_contradicted and agreement.contradicting > _MOST_SHARE * agreement.lively
