"""Weighs the network's groups by how well a measured size fits what is published for each."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from triage.groups import Group, read_groups
from triage.morphometrics import TaxonReference, find_references
from triage.size_check import MeasuredSize, distance_outside

# Printed ranges are of few samples and differ between sources, so their bounds are taken as soft by this
# share of themselves (our choice; sources for one taxon differ by about as much).
_BOUND_RELATIVE_SD = 0.08
# A size far from all that is published lowers a group to this share and no further: the table has gaps.
_LEAST_WEIGHT = 0.05
# Groups without a published range, look-alikes among them, are neither helped nor hindered much.
_UNKNOWN_WEIGHT = 0.5


def weigh_group_scores(
    group_scores: NDArray[np.float64], size: MeasuredSize | None, *, host: str | None = None
) -> NDArray[np.float64]:
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
    weights = np.array([_weigh_group(group, size, host) for group in read_groups()])
    weighed = group_scores * weights
    total = float(weighed.sum())
    return weighed * (float(group_scores.sum()) / total) if total > 0 else group_scores


def _weigh_group(group: Group, size: MeasuredSize, host: str | None) -> float:
    if group.kind != "candidate":
        return _UNKNOWN_WEIGHT
    references = [
        reference
        for reference in find_references(group.name, host)
        if reference.length_range_um or reference.width_range_um
    ]
    if not references:
        return _UNKNOWN_WEIGHT
    return max(_LEAST_WEIGHT, *(_weigh_taxon(reference, size) for reference in references))


def _weigh_taxon(reference: TaxonReference, size: MeasuredSize) -> float:
    squares = 0.0
    for value, sd, bounds in (
        (size.length_um, size.length_um_sd, reference.length_range_um),
        (size.width_um, size.width_um_sd, reference.width_range_um),
    ):
        if bounds is not None:
            softness = math.hypot(sd, _BOUND_RELATIVE_SD * min(max(value, bounds[0]), bounds[1]))
            # Of an object that goes on beyond the picture only too much can be seen, never too little.
            outside = max(value - bounds[1], 0.0) if size.is_of_part else distance_outside(value, bounds)
            squares += (outside / softness) ** 2
    return math.exp(-0.5 * squares)
