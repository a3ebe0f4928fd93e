"""Where the fields of a scan lie: pairs tried in the order that finds most with least work, then solved."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from math import ceil

import numpy as np
from numpy.typing import NDArray

from triage.stitch.edges import EdgeSearch
from triage.stitch.fields import Fields, GreyReader
from triage.stitch.grounds import Grounds
from triage.stitch.groups import find_bridges
from triage.stitch.light import estimate_light
from triage.stitch.measure import measure_shared
from triage.stitch.neighbours import STILL_PX, Guess, ShiftSearch, list_sharing
from triage.stitch.overlap import match_overlap
from triage.stitch.parting import part_places
from triage.stitch.records import Pair
from triage.stitch.solve import Places, solve_places
from triage.stitch.things import find_hanging, is_bare

_GUESSES_A_FIELD = 8
# Two fields that are each turned by a degree are turned by two against each other.
_MOST_TURN_RAD = 0.035
_MOST_ROUNDS = 16
_GUESSES_MORE_A_FIELD = 4
# So many wrong pairs may be expected among all that were tried. With hundreds of tries a pair that is rather
# sure by itself is still likely to be one of the wrong ones.
_MOST_WRONG_EXPECTED = 0.02
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
    """

    places: Places
    light: NDArray[np.float32]
    even_small: NDArray[np.float32]
    unconfirmed: frozenset[tuple[int, int]] = frozenset()


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
    search = _Search(fields, light, even_small)
    n = len(fields.names)
    search.match_guesses(combinations(range(n), 2) if order == UNKNOWN else pairwise(range(n)))
    for _ in range(_MOST_ROUNDS):
        places = solve_places(n, search.pairs)
        expected = list(search.list_expected(places))
        if expected:
            search.match_expected(expected)
        elif not any(
            look(places) for look in (search.drop_unconfirmed, search.match_edges, search.match_apart)
        ):
            break
    places = solve_places(n, search.pairs)
    # What a dropped pair contradicted comes back, and may be as doubtful.
    while search.drop_unconfirmed(places):
        places = solve_places(n, search.pairs)
    unconfirmed = search.list_unconfirmed()
    places = replace(places, rejected=places.rejected + unconfirmed)
    return Found(places, light, even_small, frozenset((pair.first, pair.second) for pair in unconfirmed))


class _Search:
    """Pairs tried so far, and those that agreed."""

    def __init__(self, fields: Fields, light: NDArray[np.float32], even_small: NDArray[np.float32]) -> None:
        self._fields = fields
        self._shifts = ShiftSearch(even_small.mean(axis=3))
        self._greys = GreyReader(fields, light.mean(axis=2))
        self._found: dict[tuple[int, int], Pair] = {}
        self._unconfirmed: dict[tuple[int, int], Pair] = {}
        self._expected: dict[tuple[int, int], tuple[float, float]] = {}
        self._guessed: set[tuple[int, int]] = set()
        self._waiting: list[Guess] = []
        self._n_guesses = 0
        self._bare = {number for number in range(len(fields.names)) if self._shows_nothing(number)}
        self._grounds = Grounds(self._greys)
        self._edges = EdgeSearch(self._greys, fields.shape_hw, self._bare)
        self._reach_px = ceil(fields.factor + _MOST_TURN_RAD / 2 * max(fields.shape_hw)) + 2

    def _shows_nothing(self, number: int) -> bool:
        return is_bare(self._greys.read(number), self._greys.measure_grain(number))

    @property
    def pairs(self) -> list[Pair]:
        """Pairs that agreed, by their fields' numbers."""
        return [self._found[key] for key in sorted(self._found)]

    def match_guesses(self, candidates: Iterable[tuple[int, int]]) -> None:
        """Try the likeliest shifts of these pairs at full size, less those of fields that show nothing."""
        guesses: list[Guess] = []
        pairs = [pair for pair in candidates if not self._bare & {*pair}]
        for first, second in pairs:
            if (first, second) not in self._found:
                guesses += self._shifts.find(first, second)
        self._guessed.update(pairs)
        self._waiting = sorted(
            self._waiting + guesses, key=lambda guess: (-guess.weight, guess.first, guess.second)
        )
        self._match_likeliest(self._waiting, _GUESSES_A_FIELD)

    def match_apart(self, places: Places) -> bool:
        """Try further pairs of fields that don't hang together; False where none is left to try."""
        numbers = combinations(sorted(set(range(len(self._fields.names))) - self._bare), 2)
        apart = [(a, b) for a, b in numbers if places.group[a] != places.group[b]]
        untried = [pair for pair in apart if pair not in self._guessed]
        if untried:
            self.match_guesses(untried)
            return True
        is_apart = set(apart)
        further = [guess for guess in self._waiting if (guess.first, guess.second) in is_apart]
        found_before = len(self._found)
        self._match_likeliest(further, _GUESSES_MORE_A_FIELD)
        return len(self._found) > found_before

    def match_edges(self, places: Places) -> bool:
        """Tie what does not hang together surely by faint texture at its edges; whether anything was."""
        pairs = self._edges.find(part_places(places).places)
        new = [pair for pair in pairs if (pair.first, pair.second) not in self._found]
        for pair in new:
            self._keep(pair)
        return bool(new)

    def _match_likeliest(self, guesses: Sequence[Guess], a_field: int) -> None:
        likeliest = guesses[: a_field * len(self._fields.names)]
        self._n_guesses += len(likeliest)
        tried = set(likeliest)
        self._waiting = [guess for guess in self._waiting if guess not in tried]
        # By fields, so that a field is read from disk once for all its pairs.
        for guess in sorted(likeliest, key=lambda guess: (guess.first, guess.second, -guess.weight)):
            if (guess.first, guess.second) not in self._found:
                x, y = (value * self._fields.factor for value in guess.offset_xy)
                self._match(guess.first, guess.second, (x, y))

    def drop_unconfirmed(self, places: Places) -> bool:
        """Drop pairs that alone tie two parts and may well be wrong; whether there were any.

        Notes
        -----
        A wrong pair that ties two parts contradicts nothing, since no other pair says how these lie. Nor do
        several where all of them rest on one plain thing.
        """
        n, kept = len(self._fields.names), places.kept
        most_chance = _MOST_WRONG_EXPECTED / max(1, self._n_guesses)
        doubtful = {row for row in find_bridges(n, kept) if kept[row].chance > most_chance}
        doubtful.update(find_hanging(places, self._grounds.list_evidence(kept)))
        self._grounds.rate([kept[row] for row in doubtful])
        doubtful = {
            row
            for row in doubtful
            if self._grounds.count_by_accident(kept[row], self._n_guesses) > _MOST_WRONG_EXPECTED
        }
        for row in doubtful:
            key = kept[row].first, kept[row].second
            self._unconfirmed[key] = self._found.pop(key)
        return bool(doubtful)

    def list_unconfirmed(self) -> tuple[Pair, ...]:
        """Pairs that were dropped for want of another that confirms them, and not found again since."""
        return tuple(self._unconfirmed[key] for key in sorted(self._unconfirmed) if key not in self._found)

    def list_expected(self, places: Places) -> Iterator[tuple[int, int, float, float]]:
        """Pairs that should overlap by their places and were not tried for that: numbers and shift."""
        for first, second, dx, dy in list_sharing(places, self._fields.shape_hw):
            tried = self._expected.get((first, second))
            is_tried = tried is not None and np.hypot(dx - tried[0], dy - tried[1]) < self._reach_px / 2
            if not is_tried and (first, second) not in self._found:
                yield first, second, dx, dy

    def match_expected(self, expected: Sequence[tuple[int, int, float, float]]) -> None:
        """Try pairs at the shift that their places ask for."""
        for first, second, dx, dy in expected:
            self._expected[first, second] = dx, dy
            self._match(first, second, (dx, dy))

    def _match(self, first: int, second: int, offset_xy: tuple[float, float]) -> None:
        ours, theirs = self._greys.read(first), self._greys.read(second)
        grain = max(self._greys.measure_grain(first), self._greys.measure_grain(second))
        pair = match_overlap(
            first, second, ours, theirs, offset_xy, reach_px=self._reach_px, tries=2, grain=grain
        )
        if pair is None or self._stands_still(pair):
            return
        self._keep(replace(pair, measured=measure_shared(pair, ours, theirs, grain)))

    def _keep(self, pair: Pair) -> None:
        """Take a pair, and what it rests on."""
        self._found[pair.first, pair.second] = pair
        self._grounds.weigh(pair)

    def _stands_still(self, pair: Pair) -> bool:
        """Whether two fields agree where neither moved, as what sits on the sensor makes any two do."""
        shift_xy = np.median(pair.first_xy - pair.second_xy, axis=0)
        return bool(np.abs(shift_xy).max() <= STILL_PX * self._fields.factor)
