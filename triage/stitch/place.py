"""Where the fields of a scan lie: pairs tried in the order that finds most with least work, then solved."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from math import ceil

import numpy as np
from numpy.typing import NDArray

from triage.stitch.backing import Backing, find_misplaced
from triage.stitch.fields import Fields, GreyReader
from triage.stitch.implied import find_contradicting
from triage.stitch.light import estimate_light
from triage.stitch.neighbours import LEAST_OVERLAP, STILL_PX, Guess, ShiftSearch
from triage.stitch.overlap import match_overlap
from triage.stitch.records import Pair
from triage.stitch.serpentine import Lattice, fit_serpentine
from triage.stitch.solve import Places, find_bridges, find_groups, solve_places
from triage.stitch.steps import UsualSteps
from triage.stitch.things import Evidence, find_hanging, is_bare, label_things, weigh_pair

_GUESSES_A_FIELD = 8
# Two fields that are each turned by a degree are turned by two against each other.
_MOST_TURN_RAD = 0.035
_MOST_ROUNDS = 40
_MOST_ROUNDS_APART = 2
_GUESSES_APART = 16
_GUESSES_MORE_APART = 8
# So many wrong pairs may be expected among all that were tried. With hundreds of tries a pair that is rather
# sure by itself is still likely to be one of the wrong ones.
_MOST_WRONG_EXPECTED = 0.02
# Steps that are farther from the usual ones than half of all shifts are, are accidents.
_FAR = 0.5
# Fields that a tie's agreement is compared with.
_OTHERS = 20
AS_TAKEN = "as-taken"
UNKNOWN = "unknown"
ORDERS = (AS_TAKEN, UNKNOWN)


@dataclass(frozen=True)
class Found:
    """Places, and the light they were found under.

    Attributes
    ----------
    places : Places
    light : ndarray of shape (h, w, 3)
    even_small : ndarray of shape (N, h, w, 3)
        Reduced copies under even light.
    unconfirmed : frozenset of (int, int)
        Fields that look alike at a place that alone would tie them, and is not believed for that.
    backed : frozenset of (int, int)
        Fields whose tie is believed only for what else speaks for it.
    """

    places: Places
    light: NDArray[np.float32]
    even_small: NDArray[np.float32]
    unconfirmed: frozenset[tuple[int, int]] = frozenset()
    backed: frozenset[tuple[int, int]] = frozenset()


def find_places(fields: Fields, order: str) -> Found:
    """Places of all fields, in groups that hang together.

    Parameters
    ----------
    fields : Fields
    order : str
        `as-taken`: each field is tried against the next first, then against whatever should lie beside it;
        the rest only where groups stay apart. `unknown`: all pairs are tried.

    Raises
    ------
    ValueError
        If the order is another word.
    """
    if order not in ORDERS:
        raise ValueError(f"order must be one of {ORDERS}, received {order!r}.")
    light = estimate_light(fields.small)
    even_small = fields.small / light
    search = _Search(fields, light, even_small, is_in_order=order == AS_TAKEN)
    n = len(fields.names)
    search.match_first()
    for _ in range(_MOST_ROUNDS):
        places = solve_places(n, search.pairs)
        # First, so that nothing is looked for where a wrong pair would have it.
        if search.drop_refuted(places):
            continue
        expected = list(search.list_expected(places))
        if expected:
            search.match_expected(expected)
            continue
        steps = search.drop_misplaced, search.drop_unconfirmed, search.match_apart
        if not any(step(places) for step in steps) and not search.restore_unconfirmed():
            break
    places = solve_places(n, search.pairs)
    while search.drop_refuted(places) or search.drop_unconfirmed(places):
        places = solve_places(n, search.pairs)
    unconfirmed = search.list_unconfirmed()
    places = replace(places, rejected=places.rejected + unconfirmed)
    named = frozenset((pair.first, pair.second) for pair in unconfirmed)
    return Found(places, light, even_small, named, frozenset(search.backed))


class _Search:
    """Pairs tried so far, and those that agreed."""

    def __init__(
        self,
        fields: Fields,
        light: NDArray[np.float32],
        even_small: NDArray[np.float32],
        *,
        is_in_order: bool = False,
    ) -> None:
        self._fields, self._is_in_order = fields, is_in_order
        self._shifts = ShiftSearch(even_small.mean(axis=3))
        self._greys = GreyReader(fields, light.mean(axis=2))
        self._found: dict[tuple[int, int], Pair] = {}
        self._evidence: dict[tuple[int, int], Evidence] = {}
        self._things: dict[int, NDArray[np.int32]] = {}
        self._plain: dict[tuple[int, int], Pair] = {}
        self._unconfirmed: dict[tuple[int, int], Pair] = {}
        self._refuted: dict[tuple[int, int], Pair] = {}
        self.backed: set[tuple[int, int]] = set()
        self._compared: dict[tuple[int, ...], bool] = {}
        self._has_restored = False
        self._expected: dict[tuple[int, int], tuple[float, float]] = {}
        self._guessed: set[tuple[int, int]] = set()
        self._waiting: list[Guess] = []
        self._tried: list[tuple[int, int]] = []
        self._n_apart = 0
        self._lively = {number for number in range(len(fields.names)) if self._shows_something(number)}
        self._reach_px = ceil(fields.factor + _MOST_TURN_RAD / 2 * max(fields.shape_hw)) + 2

    def _shows_something(self, number: int) -> bool:
        return not is_bare(self._greys.read(number), self._greys.measure_grain(number))

    @property
    def pairs(self) -> list[Pair]:
        """Pairs that agreed, by their fields' numbers."""
        return [self._found[key] for key in sorted(self._found)]

    def match_first(self) -> None:
        """Try the likeliest shifts of all pairs; where the order is given, of each field and the next."""
        n = len(self._fields.names)
        pairs = pairwise(range(n)) if self._is_in_order else combinations(range(n), 2)
        self._guess([pair for pair in pairs if {*pair} <= self._lively])
        self._match_likeliest(self._waiting[: _GUESSES_A_FIELD * n])

    def match_apart(self, places: Places) -> bool:
        """Try further pairs of fields that don't hang together; False where none is left to try."""
        lively = sorted(self._lively)
        apart = [(a, b) for a, b in combinations(lively, 2) if places.group[a] != places.group[b]]
        is_largest = places.group == np.bincount(places.group[lively], minlength=1).argmax()
        untried = [pair for pair in apart if pair not in self._guessed]
        if not untried:
            self._n_apart += 1
        if self._n_apart > _MOST_ROUNDS_APART:
            return False
        self._guess(untried)
        is_apart, found_before = set(apart), len(self._found)
        a_field = _GUESSES_APART if untried else _GUESSES_MORE_APART
        # The likeliest of each field outside: those that show little would come last of all.
        n_tried: dict[int, int] = dict.fromkeys(np.flatnonzero(~is_largest).tolist(), 0)
        likeliest = []
        for guess in self._waiting:
            ends = n_tried.keys() & {guess.first, guess.second}
            if (guess.first, guess.second) in is_apart and min(n_tried[one] for one in ends) < a_field:
                likeliest.append(guess)
                n_tried |= {one: n_tried[one] + 1 for one in ends}
        self._match_likeliest(likeliest)
        return bool(untried) or len(self._found) > found_before

    def _guess(self, pairs: Sequence[tuple[int, int]]) -> None:
        """Add the likeliest shifts of these pairs to those that wait to be tried, the likeliest first."""
        guesses = [guess for pair in pairs if pair not in self._found for guess in self._shifts.find(*pair)]
        self._guessed.update(pairs)
        self._waiting = sorted(
            self._waiting + guesses, key=lambda guess: (-guess.weight, guess.first, guess.second)
        )

    def _match_likeliest(self, likeliest: Sequence[Guess]) -> None:
        self._tried += [(guess.first, guess.second) for guess in likeliest]
        tried = set(likeliest)
        self._waiting = [guess for guess in self._waiting if guess not in tried]
        # By fields, so that a field is read from disk once for all its pairs.
        for guess in sorted(likeliest, key=lambda guess: (guess.first, guess.second, -guess.weight)):
            if (guess.first, guess.second) not in self._found:
                x, y = (value * self._fields.factor for value in guess.offset_xy)
                self._match(guess.first, guess.second, (x, y))

    def drop_refuted(self, places: Places) -> bool:
        """Drop pairs that need confirming and lay on each other what contradicts; whether there were any."""
        doubtful, backing = self._find_doubtful(places)
        refuted = [pair for pair in doubtful if backing.is_refuted(pair)]
        self._refuted |= self._drop(refuted)
        return bool(refuted)

    def drop_unconfirmed(self, places: Places) -> bool:
        """Drop pairs that alone tie two parts and may well be wrong; whether there were any.

        Notes
        -----
        A wrong pair that ties two parts contradicts nothing, since no other pair says how these lie. Nor do
        several where all of them rest on one plain thing. What speaks for such a pair all the same is that it
        is as long as the scan's steps are, and that the other fields that it lays on each other agree.
        """
        doubtful, backing = self._find_doubtful(places)
        self.backed = {(pair.first, pair.second) for pair in doubtful}
        if not doubtful:
            return False
        unsure = {(pair.first, pair.second) for pair in doubtful} | self._plain.keys()
        sure = [pair for pair in places.kept if (pair.first, pair.second) not in unsure]
        steps_xy = np.array([_step(places, pair) for pair in sure]).reshape(-1, 2)
        steps = UsualSteps(self._fields.shape_hw, steps_xy)
        lattice = self._fit_order(places, sure)
        # Alike by accident, things lie at any shift: so many as far from the usual steps, so many near them.
        far = sum(steps.rate(_shift(pair)) > _FAR for pair in self._plain.values())
        dropped = []
        for pair in doubtful:
            is_plain = (pair.first, pair.second) in self._plain
            wrong = far / (1 - _FAR) + 1 if is_plain else len(self._tried) * pair.chance
            near = steps.rate(_step(places, pair), backing.list_taken(pair))
            if lattice is not None:
                near = min(near, lattice.rate(pair.first, pair.second, _step(places, pair), self._tried))
            if backing.weigh(pair, wrong * near, _MOST_WRONG_EXPECTED) > _MOST_WRONG_EXPECTED:
                dropped.append(pair)
        self._unconfirmed |= self._drop(dropped)
        self.backed -= {(pair.first, pair.second) for pair in dropped}
        return bool(dropped)

    def _fit_order(self, places: Places, sure: Sequence[Pair]) -> Lattice | None:
        """The scan there and back that fits the largest part; None without an order."""
        if not self._is_in_order:
            return None
        group = find_groups(len(places.group), sure)
        is_largest = group == np.bincount(group).argmax()
        return fit_serpentine(places.middle_xy, is_largest, self._fields.shape_hw)

    def _find_doubtful(self, places: Places) -> tuple[list[Pair], Backing]:
        """Pairs that need confirming, and what may confirm them."""
        n, kept = len(self._fields.names), places.kept
        most_chance = _MOST_WRONG_EXPECTED / max(1, len(self._tried))
        rows = {row for row in find_bridges(n, kept) if kept[row].chance > most_chance}
        evidence = [self._evidence[pair.first, pair.second] for pair in kept]
        rows.update(find_hanging(places, evidence))
        believed = [pair for row, pair in enumerate(kept) if row not in rows]
        backing = Backing(self._fields.shape_hw, places, believed, self._greys, self._choose_others())
        return [kept[row] for row in sorted(rows)], backing

    def _choose_others(self) -> list[int]:
        """Fields that show something, from all over the scan."""
        lively = sorted(self._lively)
        chosen = np.linspace(0, len(lively) - 1, min(len(lively), _OTHERS)).astype(int)
        return [lively[k] for k in chosen.tolist()]

    def drop_misplaced(self, places: Places) -> bool:
        """Drop all pairs of fields that others contradict; whether there were any."""
        n = len(self._fields.names)
        against = find_contradicting(
            self._fields.shape_hw, places, np.ones(n, dtype=bool), self._greys, self._compared
        )
        misplaced = set(find_misplaced(places.kept, against, n))
        dropped = [pair for pair in places.kept if misplaced & {pair.first, pair.second}]
        self._refuted |= self._drop(dropped)
        # What seemed refuted because of these fields may be right.
        again = {key for key in self._refuted if misplaced & {*key}} - {
            (one.first, one.second) for one in dropped
        }
        self._found |= {key: self._refuted.pop(key) for key in sorted(again)}
        return bool(dropped)

    def _drop(self, pairs: Sequence[Pair]) -> dict[tuple[int, int], Pair]:
        return {(pair.first, pair.second): self._found.pop((pair.first, pair.second)) for pair in pairs}

    def restore_unconfirmed(self) -> bool:
        """Give dropped pairs a second hearing, since more is known by now; False where none is left."""
        dropped = {key: pair for key, pair in self._unconfirmed.items() if key not in self._found}
        if self._has_restored or not dropped:
            return False
        self._has_restored = True
        self._found |= dropped
        return True

    def list_unconfirmed(self) -> tuple[Pair, ...]:
        """Pairs that were dropped for want of another that confirms them, and not found again since."""
        dropped = self._unconfirmed | self._refuted
        return tuple(dropped[key] for key in sorted(dropped) if key not in self._found)

    def list_expected(self, places: Places) -> Iterator[tuple[int, int, float, float]]:
        """Pairs that should overlap by their places and were not tried for that: numbers and shift."""
        height, width = self._fields.shape_hw
        for first, second in combinations(range(len(self._fields.names)), 2):
            if places.group[first] != places.group[second] or (first, second) in self._found:
                continue
            dx, dy = places.middle_xy[second] - places.middle_xy[first]
            tried = self._expected.get((first, second))
            if tried is not None and np.hypot(dx - tried[0], dy - tried[1]) < self._reach_px / 2:
                continue
            shared = max(0.0, width - abs(dx)) * max(0.0, height - abs(dy))
            if shared >= LEAST_OVERLAP * width * height:
                yield first, second, float(dx), float(dy)

    def match_expected(self, expected: Sequence[tuple[int, int, float, float]]) -> None:
        """Try pairs at the shift that their places ask for."""
        for first, second, dx, dy in expected:
            self._expected[first, second] = dx, dy
            self._match(first, second, (dx, dy))

    def _match(self, first: int, second: int, offset_xy: tuple[float, float]) -> None:
        ours, theirs = self._greys.read(first), self._greys.read(second)
        pair = match_overlap(
            first,
            second,
            ours,
            theirs,
            offset_xy,
            reach_px=self._reach_px,
            tries=2,
            grain=max(self._greys.measure_grain(first), self._greys.measure_grain(second)),
        )
        if pair is None or self._stands_still(pair):
            return
        self._found[first, second] = pair
        for number, grey in ((first, ours), (second, theirs)):
            if number not in self._things:
                self._things[number] = label_things(grey, self._greys.measure_grain(number))
        evidence = weigh_pair(pair, ours, self._things[first], self._things[second])
        self._evidence[first, second] = evidence
        if evidence.is_single:
            self._plain[first, second] = pair

    def _stands_still(self, pair: Pair) -> bool:
        """Whether two fields agree where neither moved, as what sits on the sensor makes any two do."""
        return bool(np.abs(_shift(pair)).max() <= STILL_PX * self._fields.factor)


def _shift(pair: Pair) -> NDArray[np.float64]:
    """From the first field to the second as their pair has it."""
    shift_xy: NDArray[np.float64] = np.median(pair.first_xy - pair.second_xy, axis=0)
    return shift_xy


def _step(places: Places, pair: Pair) -> NDArray[np.float64]:
    """From the first field to the second as all pairs have it."""
    step_xy: NDArray[np.float64] = places.middle_xy[pair.second] - places.middle_xy[pair.first]
    return step_xy
