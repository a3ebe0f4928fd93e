"""Whether what a tie between two parts implies for other fields bears it out: that they agree, too."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import numpy as np
from numpy.typing import NDArray

from triage.stitch.contradiction import Agreement, compare_placed, is_refuted
from triage.stitch.fields import GreyReader
from triage.stitch.neighbours import LEAST_OVERLAP
from triage.stitch.records import Pair
from triage.stitch.solve import Places, find_groups

# A part is turned a little wrongly by a tie of few places: farther off than this share of a field's longer
# side it would seem to contradict (our choice).
_NEAR = 1.5
# Where little lies on a slide it is so for several fields: overlaps that agree depend on each other (our
# choice).
_LEAST_FACTOR = 0.05


class Backing:
    """Compares what a tie would lay on each other.

    Parameters
    ----------
    shape_hw : tuple of int
        Rows and columns of a field.
    places : Places
        By all ties, those to be backed too.
    believed : sequence of Pair
        Ties that need no backing.
    greys : GreyReader
    others : sequence of int
        Fields that take the place of one that agrees, to see how often any would.
    """

    def __init__(
        self,
        shape_hw: tuple[int, int],
        places: Places,
        believed: Sequence[Pair],
        greys: GreyReader,
        others: Sequence[int],
    ) -> None:
        self._shape_hw, self._places, self._greys, self._others = shape_hw, places, greys, others
        self._believed = find_groups(len(places.group), believed)
        self._paired = {(pair.first, pair.second) for pair in places.kept}

    def list_taken(self, tie: Pair) -> list[NDArray[np.float64]]:
        """Steps from the first field of a tie that lead to where its own side lies, or that of the second."""
        middle_xy, side = self._places.middle_xy, self._find_sides(tie)
        near_px = 2 * max(self._shape_hw)
        taken = []
        for one, sign in ((tie.first, 1), (tie.second, -1)):
            steps_xy = sign * (middle_xy - middle_xy[one])
            is_near = (side == side[one]) & (np.abs(steps_xy).max(axis=1) < near_px)
            is_near[one] = False
            taken += list(steps_xy[is_near])
        return taken

    def is_refuted(self, tie: Pair) -> bool:
        """Whether the believed parts on both sides of a tie contradict each other where it lays them."""
        return is_refuted(self._compare(tie, pair) for pair in self._list_implied(tie, self._believed))

    def weigh(self, tie: Pair, expected: float, enough: float) -> float:
        """How many wrong ones are to be expected among ties like this one, by what it implies.

        Parameters
        ----------
        tie : Pair
        expected : float
            Wrong ones that were to be expected without.
        enough : float
            No further overlap is weighed once so few are expected.

        Notes
        -----
        The two sides are all that hangs together without the tie, by ties that need backing too: where all
        of these are right the sides agree, and where one is wrong they contradict each other.
        """
        if not enough < expected <= enough / _LEAST_FACTOR:
            return expected
        implied = self._list_implied(tie, self._find_sides(tie))
        agreements = [self._compare(tie, pair) for pair in implied]
        factor = 1.0
        for pair, agreement in zip(implied, agreements, strict=True):
            if agreement.contradicting == 0 and expected * factor > enough:
                factor *= self._rate_by_others(tie, pair)
        return inf if is_refuted(agreements) else expected * max(factor, _LEAST_FACTOR)

    def _find_sides(self, tie: Pair) -> NDArray[np.int64]:
        """Which fields hang together without a tie; without any that need backing, where it is not alone."""
        without = [pair for pair in self._places.kept if pair is not tie]
        side = find_groups(len(self._places.group), without)
        return self._believed if side[tie.first] == side[tie.second] else side

    def _list_implied(self, tie: Pair, side: NDArray[np.int64]) -> list[tuple[int, int]]:
        """Fields on both sides that share enough near the tie and are no pair, most shared first."""
        height, width = self._shape_hw
        middle_xy = self._places.middle_xy
        near = np.abs(middle_xy - middle_xy[[tie.first, tie.second]].mean(axis=0)).max(axis=1)
        is_near = near <= _NEAR * max(height, width)
        ours, theirs = ((is_near & (side == side[one])).nonzero()[0] for one in (tie.first, tie.second))
        apart = np.abs(middle_xy[ours][:, None] - middle_xy[theirs][None])
        shared = (width - apart[..., 0]).clip(0) * (height - apart[..., 1]).clip(0)
        order = np.argsort(-shared, axis=None, kind="stable")
        enough = order[shared.ravel()[order] >= LEAST_OVERLAP * height * width]
        rows, columns = np.unravel_index(enough, shared.shape)
        pairs = zip(ours[rows].tolist(), theirs[columns].tolist(), strict=True)
        return [
            (one, other) for one, other in pairs if (min(one, other), max(one, other)) not in self._paired
        ]

    def _compare(self, tie: Pair, pair: tuple[int, int], shown: tuple[int, int] | None = None) -> Agreement:
        """Two fields where the tie lays them, less what the tie itself rests on."""
        # The thing that a wrong tie rests on agrees wherever another field shows it as well.
        turn = float(self._places.turn_rad[tie.first])
        cos, sin = np.cos(turn), np.sin(turn)
        rests_xy = self._places.middle_xy[tie.first] + tie.first_xy @ np.array([[cos, sin], [-sin, cos]])
        return compare_placed(*pair, self._places, self._greys, shown=shown, except_xy=rests_xy)

    def _rate_by_others(self, tie: Pair, pair: tuple[int, int]) -> float:
        """Share of other fields that would not contradict either, in place of the first or of the second."""
        in_place_of_first = sum(self._agrees(tie, pair, (other, pair[1])) for other in self._others)
        in_place_of_second = sum(self._agrees(tie, pair, (pair[0], other)) for other in self._others)
        return (max(in_place_of_first, in_place_of_second) + 1) / (len(self._others) + 1)

    def _agrees(self, tie: Pair, pair: tuple[int, int], shown: tuple[int, int]) -> bool:
        return self._compare(tie, pair, shown).contradicting == 0


def find_misplaced(pairs: Sequence[Pair], contradicting: Sequence[tuple[int, int]], n: int) -> list[int]:
    """The fields that most others contradict beyond what ties them; none where fewer than two do."""
    ties = np.bincount(np.array([(one.first, one.second) for one in pairs], np.int64).ravel(), minlength=n)
    against = np.bincount(np.array(contradicting, np.int64).ravel(), minlength=n)
    excess = np.where(against > 1, against - ties, 0)
    return [] if excess.max() <= 0 else [int(field) for field in (excess == excess.max()).nonzero()[0]]
