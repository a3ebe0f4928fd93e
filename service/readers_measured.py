"""How far readers agree, what each finds with and without proposals, and what the proposals changed.

Figures for learning, never a ranking: readers see different slides, and an object that all of them miss is in
no figure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from service.reader_answers import NOTHING, UNSURE, ObjectSaid
from service.sensitivity import LEAST_OBJECTS
from triage.agreement import cohen_kappa, fleiss_kappa, krippendorff_alpha, tabulate_pairs
from triage.groups import candidate_groups
from triage.proportions import wilson_interval

MOST_DIFFERENCES = 8


@dataclass(frozen=True)
class Share:
    """`n` out of `of`, with Wilson's 95 % interval; `share` None where nothing was tried."""

    n: int
    of: int

    @property
    def share(self) -> float | None:
        """The proportion itself."""
        return self.n / self.of if self.of else None

    @property
    def interval(self) -> tuple[float, float]:
        """Low and high end; objects of one slide are taken as if they were independent."""
        return wilson_interval(self.n, self.of)

    @property
    def is_few(self) -> bool:
        """Whether there are too few objects to say much."""
        return self.of < LEAST_OBJECTS


@dataclass(frozen=True)
class Finding:
    """What a reader found of what held in the end, one way of reading.

    Attributes
    ----------
    n_pictures : int
    found : Share
        Confirmed under whatever group, of the objects that held.
    right_group : Share
        Under the group that held, of those found.
    upheld : Share
        Objects that held, of all that the reader confirmed.
    """

    n_pictures: int
    found: Share
    right_group: Share
    upheld: Share


@dataclass(frozen=True)
class Changed:
    """What a reader said alone, then with the proposals in sight; an object that is none counts too."""

    n_pictures: int
    stayed_right: int
    became_right: int
    became_wrong: int
    stayed_wrong: int


@dataclass(frozen=True)
class ReaderFigures:
    """The figures of one reader."""

    reader_id: int
    unaided: Finding
    aided: Finding
    changed: Changed


@dataclass(frozen=True)
class PairAgreement:
    """Two readers who answered the same objects; `kappa` None where it isn't defined."""

    reader_ids: tuple[int, int]
    same: Share
    kappa: float | None


@dataclass(frozen=True)
class Agreement:
    """How far all readers agree.

    Attributes
    ----------
    n_objects, n_readers, n_specimens : int
        Objects that two readers or more answered each on their own.
    alpha : float or None
        Krippendorff's, over all of them.
    fleiss : float or None
        Over the `n_fleiss` objects that exactly `readers_each` answered, the most frequent number.
    pairs : tuple of PairAgreement
    differences : tuple of (str, str, int)
        Two answers to one object, and how often; the most frequent first.
    """

    n_objects: int
    n_readers: int
    n_specimens: int
    alpha: float | None
    fleiss: float | None
    n_fleiss: int
    readers_each: int
    pairs: tuple[PairAgreement, ...]
    differences: tuple[tuple[str, str, int], ...]


def measure_agreement(said: Sequence[ObjectSaid]) -> Agreement:
    """Agreement over the objects that two readers or more answered on their own."""
    common = [one for one in said if len(one.first) > 1]
    readers = sorted({reader_id for one in common for reader_id in one.first})
    sizes = Counter(len(one.first) for one in common)
    readers_each = max(sizes, key=lambda size: (sizes[size], size), default=0)
    alike = [one for one in common if len(one.first) == readers_each]
    pairs = [_compare(common, pair) for pair in combinations(readers, 2)]
    return Agreement(
        n_objects=len(common),
        n_readers=len(readers),
        n_specimens=len({one.specimen_id for one in common}),
        alpha=_find_alpha(common, readers),
        fleiss=fleiss_kappa(_count_answers(alike)) if alike else None,
        n_fleiss=len(alike),
        readers_each=readers_each,
        pairs=tuple(pair for pair in pairs if pair.same.of),
        differences=_count_differences(common),
    )


def measure_reader(said: Sequence[ObjectSaid], reader_id: int) -> ReaderFigures:
    """What one reader found, alone and with the proposals, in pictures that two or more have marked."""
    checked = [one for one in said if one.is_checked]
    both = [one for one in checked if reader_id in one.unaided and reader_id in one.aided]
    return ReaderFigures(
        reader_id,
        unaided=_measure((one, one.unaided.get(reader_id)) for one in checked),
        aided=_measure((one, one.aided.get(reader_id)) for one in checked),
        changed=_count_changes(both, reader_id),
    )


def list_readers(said: Iterable[ObjectSaid]) -> list[int]:
    """Everybody whose answers count somewhere."""
    return sorted({reader_id for one in said for reader_id in (*one.first, *one.unaided)})


def _answers() -> tuple[str, ...]:
    return (*candidate_groups(), NOTHING, UNSURE)


def _find_alpha(common: Sequence[ObjectSaid], readers: Sequence[int]) -> float | None:
    numbers = {answer: number for number, answer in enumerate(_answers())}
    ratings = np.full((len(readers), len(common)), np.nan)
    for column, one in enumerate(common):
        for reader_id, answer in one.first.items():
            ratings[readers.index(reader_id), column] = numbers[answer]
    return krippendorff_alpha(ratings)


def _count_answers(alike: Sequence[ObjectSaid]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """How many readers gave each object each answer, shape (objects, answers)."""
    counted = [Counter(one.first.values()) for one in alike]
    return np.array([[counts[answer] for answer in _answers()] for counts in counted], dtype=np.float64)


def _compare(common: Sequence[ObjectSaid], pair: tuple[int, int]) -> PairAgreement:
    both = [(one.first[pair[0]], one.first[pair[1]]) for one in common if {*pair} <= one.first.keys()]
    first, second = [one for one, _ in both], [other for _, other in both]
    kappa = cohen_kappa(tabulate_pairs(first, second, _answers()))
    return PairAgreement(pair, Share(sum(one == other for one, other in both), len(both)), kappa)


def _count_differences(common: Sequence[ObjectSaid]) -> tuple[tuple[str, str, int], ...]:
    order = _answers().index
    counts = Counter(
        tuple(sorted(pair, key=order))
        for one in common
        for pair in combinations(one.first.values(), 2)
        if pair[0] != pair[1]
    )
    return tuple((one, other, n) for (one, other), n in counts.most_common(MOST_DIFFERENCES))


def _measure(answered: Iterable[tuple[ObjectSaid, str | None]]) -> Finding:
    known = [(one, answer) for one, answer in answered if answer is not None]
    there = [(one, answer) for one, answer in known if one.truth != NOTHING]
    found = [(one, answer) for one, answer in there if answer not in (NOTHING, UNSURE)]
    n_confirmed = sum(answer not in (NOTHING, UNSURE) for _, answer in known)
    return Finding(
        n_pictures=len({one.image_id for one, _ in known}),
        found=Share(len(found), len(there)),
        right_group=Share(sum(answer == one.truth for one, answer in found), len(found)),
        upheld=Share(len(found), n_confirmed),
    )


def _count_changes(both: Sequence[ObjectSaid], reader_id: int) -> Changed:
    ways = Counter((one.unaided[reader_id] == one.truth, one.aided[reader_id] == one.truth) for one in both)
    return Changed(
        n_pictures=len({one.image_id for one in both}),
        stayed_right=ways[True, True],
        became_right=ways[False, True],
        became_wrong=ways[True, False],
        stayed_wrong=ways[False, False],
    )
