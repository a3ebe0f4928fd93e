"""What the pairs of a scan rest on, and whether what lies elsewhere in their overlaps bears them out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from triage.stitch.elsewhere import rate_elsewhere
from triage.stitch.fields import GreyReader
from triage.stitch.records import Pair
from triage.stitch.things import Evidence, find_marked, label_things, weigh_pair


class Grounds:
    """Evidence of each pair, and how well the rest of its overlap agrees; each is made once.

    Parameters
    ----------
    greys : GreyReader
    """

    def __init__(self, greys: GreyReader) -> None:
        self._greys = greys
        self._evidence: dict[tuple[int, int], Evidence] = {}
        self._things: dict[int, NDArray[np.int32]] = {}
        self._elsewhere: dict[tuple[int, int], float] = {}

    def weigh(self, pair: Pair) -> None:
        """Find what a pair rests on."""
        key = pair.first, pair.second
        for number in key:
            if number not in self._things:
                grey = self._greys.read(number)
                self._things[number] = label_things(grey, self._greys.measure_grain(number))
        things = self._things[pair.first], self._things[pair.second]
        self._evidence[key] = weigh_pair(pair, self._greys.read(pair.first), *things)

    def list_evidence(self, pairs: Sequence[Pair]) -> list[Evidence]:
        """Evidence of each of these pairs."""
        return [self._evidence[pair.first, pair.second] for pair in pairs]

    def rate(self, pairs: Sequence[Pair]) -> None:
        """Rate for each of these pairs, once, what both fields show besides what made them a pair."""
        for pair in pairs:
            key = pair.first, pair.second
            if key not in self._elsewhere:
                fields = self._greys.read(pair.first), self._greys.read(pair.second)
                things = find_marked(
                    self._evidence[key].first_things, self._things[pair.first], fields[0].shape
                )
                self._elsewhere[key] = rate_elsewhere(pair, *fields, things)

    def count_by_accident(self, pair: Pair, n_tried: int) -> float:
        """How many pairs would be borne out as well as this rated one by accident.

        Of all shifts tried, for one that found places of more than one kind; of the pairs rated, for one that
        rests on one plain thing, which may be found again anywhere.
        """
        key = pair.first, pair.second
        by_accident = float(norm.sf(self._elsewhere[key]))
        expected = len(self._elsewhere) * by_accident
        if not self._evidence[key].is_single:
            expected = min(expected, n_tried * pair.chance * by_accident)
        return expected
