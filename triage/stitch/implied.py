"""Overlaps that the places imply but no pair rests on: whether what both fields show there agrees."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from triage.stitch.contradiction import compare_placed, is_refuted
from triage.stitch.fields import GreyReader
from triage.stitch.neighbours import LEAST_OVERLAP
from triage.stitch.solve import Places


def find_contradicting(
    shape_hw: tuple[int, int],
    places: Places,
    is_in: NDArray[np.bool_],
    greys: GreyReader,
    known: dict[tuple[int, ...], bool] | None = None,
) -> tuple[tuple[int, int], ...]:
    """Fields that hang together and should show the same, and don't, by their numbers, the smaller first.

    Parameters
    ----------
    shape_hw : tuple of int
        Rows and columns of a field.
    places : Places
    is_in : ndarray of shape (N,)
        Which fields to compare.
    greys : GreyReader
    known : dict, optional
        What was compared before, by fields and step in whole pixels; added to.

    Notes
    -----
    A pair was compared all over when it was found. Here come those that were never proposed, or found
    nothing in common: of fields that lie rightly they show little, or were changed in between.
    """
    known = {} if known is None else known
    contradicting = []
    for pair in _list_implied(shape_hw, places, is_in):
        step_xy = places.middle_xy[pair[1]] - places.middle_xy[pair[0]]
        key = (*pair, *np.rint(step_xy).astype(int).tolist())
        if key not in known:
            known[key] = is_refuted([compare_placed(*pair, places, greys)])
        if known[key]:
            contradicting.append(pair)
    return tuple(contradicting)


def _list_implied(
    shape_hw: tuple[int, int], places: Places, is_in: NDArray[np.bool_]
) -> list[tuple[int, int]]:
    """Fields that share enough by their places, less those that are pairs."""
    height, width = shape_hw
    paired = {(pair.first, pair.second) for pair in places.kept}
    implied = []
    for first, second in combinations(is_in.nonzero()[0].tolist(), 2):
        if places.group[first] != places.group[second]:
            continue
        dx, dy = np.abs(places.middle_xy[second] - places.middle_xy[first])
        shared = max(0.0, width - dx) * max(0.0, height - dy)
        if shared >= LEAST_OVERLAP * width * height and (first, second) not in paired:
            implied.append((first, second))
    return implied
