"""Parts of a scan, and fields alone, tied by faint texture at edges where a neighbour is missing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set

import numpy as np
from numpy.typing import NDArray

from triage.stitch.faint import Tie, measure_faint
from triage.stitch.fields import GreyReader
from triage.stitch.records import Pair
from triage.stitch.solve import Places
from triage.stitch.stiff import fit_stiff, rotate
from triage.stitch.strips import StripSearch

# A step is known from so many pairs of neighbours.
_LEAST_STEPS = 3
_MOST_SIDEWAYS = 0.25
# Two fields nearer than this share of the steps lie at one place of the scan.
_SAME_PLACE = 0.4
# Edges of fields that lie far apart are alike by up to 8.3 deviations; so many are measured a field.
_LEAST_WEIGHT = 6.5
_MEASURED_A_FIELD = 2
# Of 20 000 edges of 21 drawn scans laid wrongly two had 8.3 deviations: a scene drawn again, turned by 180
# degrees. Of others one had 9.1, but 0.1 without what was most alike.
_SURE = 8.5
_SURE_LEAST = 2.5
# Two ties of the same parts, if they agree: of each, and of both together.
_WEAK = 4.5
_WEAK_LEAST = 1.0
_SURE_BOTH = 7.5
_AGREE_PX = 3.0
_MOST_TURN_RAD = 0.035


def find_steps(pairs: Sequence[Pair], shape_hw: tuple[int, int]) -> dict[int, NDArray[np.float64]]:
    """Step of the scan to the right (0) and down (1), shape (2,) each, as far as enough pairs tell it."""
    size_wh = np.array(shape_hw[::-1])
    shifts = np.array([np.median(pair.first_xy - pair.second_xy, axis=0) for pair in pairs]).reshape(-1, 2)
    steps = {}
    for axis in (0, 1):
        is_along = np.abs(shifts[:, 1 - axis]) < _MOST_SIDEWAYS * size_wh[1 - axis]
        is_along &= np.abs(shifts[:, axis]) > np.abs(shifts[:, 1 - axis])
        if is_along.sum() >= _LEAST_STEPS:
            forward = shifts[is_along] * np.sign(shifts[is_along, axis])[:, None]
            steps[axis] = np.median(forward, axis=0)
    return steps


class EdgeSearch:
    """Edges tried so far, and what was measured of those that are alike.

    Parameters
    ----------
    greys : GreyReader
    shape_hw : tuple of int
        Rows and columns of the fields.
    bare : set of int
        Fields that show nothing.
    """

    def __init__(self, greys: GreyReader, shape_hw: tuple[int, int], bare: Set[int]) -> None:
        self._greys, self._shape_hw, self._bare = greys, shape_hw, bare
        self._tried: set[tuple[int, int, int]] = set()
        self._ties: list[Tie] = []

    def find(self, places: Places) -> list[Pair]:
        """Pairs that tie what does not hang together; sure by themselves, or two that bear each other out."""
        steps = find_steps(places.kept, self._shape_hw)
        for axis in steps:
            self._try(axis, steps, places)
        return self._choose(places)

    def _try(self, axis: int, steps: dict[int, NDArray[np.float64]], places: Places) -> None:
        search = StripSearch(self._greys, self._shape_hw, axis, steps[axis])
        laid = []
        for first, seconds in list_beside(places, axis, steps, self._bare):
            new = [second for second in seconds if (first, axis, second) not in self._tried]
            self._tried.update((first, axis, second) for second in new)
            laid += [one for one in search.find(first, new) if one.weight >= _LEAST_WEIGHT]
        laid.sort(key=lambda one: (-one.weight, one.first, one.second))
        for one in laid[: _MEASURED_A_FIELD * len(places.group)]:
            tie = measure_faint(one, self._greys, search.tries)
            if tie is not None and tie.agreement.whole >= _WEAK:
                self._ties.append(tie)

    def _choose(self, places: Places) -> list[Pair]:
        """Ties between groups, the surest first, no edge twice; each is given once."""
        group = places.group
        apart = [tie for tie in self._ties if group[tie.pair.first] != group[tie.pair.second]]
        apart.sort(key=lambda tie: -tie.agreement.whole)
        taken: set[tuple[int, int, bool]] = set()
        chosen = []
        for tie in apart:
            if not taken & {*tie.sides} and (_is_sure(tie) or _is_borne_out(tie, apart, places)):
                taken.update(tie.sides)
                chosen.append(tie)
        # A tie that contradicts others, or was not believed in the end, is not tried again.
        self._ties = [tie for tie in self._ties if tie not in chosen]
        return [tie.pair for tie in chosen]


def _is_sure(tie: Tie) -> bool:
    return tie.agreement.whole >= _SURE and tie.agreement.least >= _SURE_LEAST


def _is_borne_out(tie: Tie, others: Sequence[Tie], places: Places) -> bool:
    """Whether another tie of the same two groups lays them on each other as this one does."""
    return any(
        other is not tie
        and min(tie.agreement.least, other.agreement.least) >= _WEAK_LEAST
        and tie.agreement.whole + other.agreement.whole >= _SURE_BOTH * np.sqrt(2)
        and _agree(tie.pair, other.pair, places)
        for other in others
    )


def _agree(one: Pair, other: Pair, places: Places) -> bool:
    laid = _lay(one, places), _lay(other, places)
    if laid[0].keys() != laid[1].keys():
        return False
    ours, theirs = (np.concatenate([each[key] for each in laid]) for key in laid[0])
    to_ours = fit_stiff(theirs, ours, has_turn=True)
    off = np.hypot(*(theirs @ to_ours[:, :2].T + to_ours[:, 2] - ours).T)
    n = len(one.first_xy)
    is_near = max(np.median(off[:n]), np.median(off[n:])) <= _AGREE_PX
    return bool(is_near and abs(np.arctan2(to_ours[1, 0], to_ours[0, 0])) <= _MOST_TURN_RAD)


def _lay(pair: Pair, places: Places) -> dict[int, NDArray[np.float64]]:
    """Where the places of a pair lie in the frame of each of its two groups, by group."""
    return {
        int(places.group[field]): places.middle_xy[field] + xy @ rotate(float(places.turn_rad[field])).T
        for field, xy in ((pair.first, pair.first_xy), (pair.second, pair.second_xy))
    }


def list_beside(
    places: Places, axis: int, steps: dict[int, NDArray[np.float64]], bare: Set[int]
) -> Iterator[tuple[int, list[int]]]:
    """Each field with those of other groups that may lie right of it (0) or below (1)."""
    numbers = [number for number in range(len(places.group)) if number not in bare]
    first_free = [n for n in numbers if _is_free(n, steps[axis], places, steps)]
    second_free = [n for n in numbers if _is_free(n, -steps[axis], places, steps)]
    for first in first_free:
        apart = [n for n in second_free if places.group[n] != places.group[first]]
        seconds = [n for n in apart if _fits(first, n, steps[axis], places, steps)]
        if seconds:
            yield first, seconds


def _is_free(
    number: int, step_xy: NDArray[np.float64], places: Places, steps: dict[int, NDArray[np.float64]]
) -> bool:
    """Whether none of its group lies where the step leads."""
    fellows = places.middle_xy[places.group == places.group[number]]
    there = places.middle_xy[number] + rotate(float(places.turn_rad[number])) @ step_xy
    return not _is_same_place(fellows - there, steps).any()


def _fits(
    first: int,
    second: int,
    step_xy: NDArray[np.float64],
    places: Places,
    steps: dict[int, NDArray[np.float64]],
) -> bool:
    """Whether two groups laid so that these two are neighbours have no two fields at one place."""
    turns = places.turn_rad[[first, second]]
    ours = places.middle_xy[places.group == places.group[first]]
    theirs = places.middle_xy[places.group == places.group[second]] - places.middle_xy[second]
    there = places.middle_xy[first] + rotate(float(turns[0])) @ step_xy
    laid = theirs @ rotate(float(turns[0] - turns[1])).T + there
    return not _is_same_place(laid[:, None] - ours[None], steps).any()


def _is_same_place(apart_xy: NDArray[np.float64], steps: dict[int, NDArray[np.float64]]) -> NDArray[np.bool_]:
    least = min(float(np.abs(step).max()) for step in steps.values())
    near: NDArray[np.bool_] = np.abs(apart_xy).max(axis=-1) < _SAME_PLACE * least
    return near
