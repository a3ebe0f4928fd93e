"""Cuts off fields whose place is uncertain, so that each part hangs together surely."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from triage.stitch.solve import Places, solve_places

# Three times this is the 3 px beyond which an object in an overlap would be seen twice (our choice).
MOST_SD_PX = 1.0


@dataclass(frozen=True)
class Parted:
    """Places in parts that are sure each, and what was cut off.

    Attributes
    ----------
    places : Places
    cut_px : ndarray of shape (N,)
        How uncertain each field was that was cut off or is uncertain still; 0 for all others.
    """

    places: Places
    cut_px: NDArray[np.float64]


def part_places(places: Places) -> Parted:
    """Places with what is uncertain cut off, in all groups, until sure fields hang on sure ones only.

    Notes
    -----
    A tie that says little of the turn leaves all fields behind it uncertain, though they know of each other.
    """
    cut_px = np.zeros(len(places.group))
    while True:
        is_unsure = places.sd_px > MOST_SD_PX
        cut_px[is_unsure] = places.sd_px[is_unsure]
        kept = [pair for pair in places.kept if is_unsure[pair.first] == is_unsure[pair.second]]
        if len(kept) == len(places.kept):
            return Parted(places, cut_px)
        solved = solve_places(len(cut_px), kept)
        places = replace(solved, rejected=places.rejected + solved.rejected)
