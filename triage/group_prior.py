"""Weighs the network's groups by how well a measured size fits what is published for each."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from triage.groups import read_groups
from triage.morphometrics import find_references
from triage.size_check import MeasuredSize

Floats = NDArray[np.float64]

# Printed ranges are of few samples and differ between sources, so their bounds are taken as soft by this
# share of themselves (our choice; sources for one taxon differ by about as much).
_BOUND_RELATIVE_SD = 0.08
# A size far from all that is published lowers a group to this share and no further: the table has gaps.
_LEAST_WEIGHT = 0.05
# Groups without a published range, look-alikes among them, are neither helped nor hindered much.
_UNKNOWN_WEIGHT = 0.5
# Eggs like none of the groups are not bound to any size, so that no size lowers their group further than this
# (chosen on 210 drawn pictures; on 190 others 22 instead of 17 of 29 such eggs kept their group, and no more
# of the rest lost theirs).
_OPEN_GROUP = "other_egg"
_OPEN_WEIGHT = 0.3
# What sizes say is taken to this power: the network sees the size, too, and the table has gaps. Chosen on 120
# drawn pictures (0.85 instead of 0.83 of the groups right), held on 130 others (0.91 instead of 0.89).
_SAY = 0.4


def weigh_group_scores(group_scores: Floats, size: MeasuredSize | None, *, host: str | None = None) -> Floats:
    """Group shares after the measured size is taken into account; they sum to what they summed to before.

    Parameters
    ----------
    group_scores : ndarray of shape (G,)
        Share of each row of `read_groups()`.
    size : MeasuredSize or None
        None leaves the shares as they are.
    host : str, optional
        `dog` or `cat` narrows the taxa.

    Returns
    -------
    weighed : ndarray of shape (G,)
    """
    if size is None:
        return group_scores
    weights = _weigh_groups(size, host)
    weighed = group_scores * weights
    total = float(weighed.sum())
    return weighed * (float(group_scores.sum()) / total) if total > 0 else group_scores


def _weigh_groups(size: MeasuredSize, host: str | None) -> Floats:
    """The weight of each group: that of its best fitting taxon, of shape (G,)."""
    bounds_um, rows = _bounds_by_taxon(host)
    low, high = bounds_um[..., 0], bounds_um[..., 1]
    value = np.array([[size.length_um], [size.width_um]])
    sd = np.array([[size.length_um_sd], [size.width_um_sd]])
    softness = np.hypot(sd, _BOUND_RELATIVE_SD * np.clip(value, low, high))
    # Of an object that goes on beyond the picture only too much can be seen, never too little.
    outside = np.maximum(value - high, 0.0 if size.is_of_part else np.maximum(low - value, 0.0))
    squares = np.nansum((outside / softness) ** 2, axis=0)
    weights = np.full(len(read_groups()), _UNKNOWN_WEIGHT)
    weights[rows] = _LEAST_WEIGHT
    np.maximum.at(weights, rows, np.exp(-0.5 * squares))
    is_open = np.array([group.name == _OPEN_GROUP for group in read_groups()])
    said: Floats = np.where(is_open, np.maximum(weights, _OPEN_WEIGHT), weights) ** _SAY
    return said


@lru_cache
def _bounds_by_taxon(host: str | None) -> tuple[Floats, NDArray[np.int64]]:
    """Published length and width of each taxon (2, T, 2), NaN where unknown, and the rows of their groups."""
    known = [
        (row, reference)
        for row, group in enumerate(read_groups())
        if group.kind == "candidate"
        for reference in find_references(group.name, host)
        if reference.length_range_um or reference.width_range_um
    ]
    unknown = (math.nan, math.nan)
    bounds_um = [
        [reference.length_range_um or unknown for _, reference in known],
        [reference.width_range_um or unknown for _, reference in known],
    ]
    rows = np.array([row for row, _ in known], dtype=np.int64)
    return np.array(bounds_um, dtype=np.float64).reshape(2, -1, 2), rows
