"""Splits and folds by specimen, so that no specimen sits on both sides; stable when a set grows."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol, TypeVar

from triage.errors import RecordError
from triage.labelled_set import JUDGING, SPLITS, choose_split

if TYPE_CHECKING:
    from training.dataset import MarkedPicture


class OfSpecimen(Protocol):
    """Anything that belongs to a specimen."""

    @property
    def specimen(self) -> str:
        """What tells specimens apart."""


One = TypeVar("One", bound=OfSpecimen)


def take_split(pictures: Sequence[One], split: str) -> list[One]:
    """The pictures on one side of the split that labelled sets state, in order.

    Raises
    ------
    ValueError
        If there is no such side.
    """
    if split not in SPLITS:
        raise ValueError(f"split must be one of {SPLITS}, received {split!r}")
    return [one for one in pictures if split_of(one) == split]


def split_of(one: OfSpecimen) -> str:
    """What the set states; where it states nothing, what follows from the specimen's name."""
    return getattr(one, "split", None) or choose_split(one.specimen)


def refuse_locked(pictures: Sequence[MarkedPicture]) -> None:
    """Keep pictures of a set's judging split out of training.

    Raises
    ------
    RecordError
        If there is one.
    """
    locked = [one for one in pictures if one.split == JUDGING]
    if locked:
        raise RecordError(
            f"{len(locked)} of {len(pictures)} pictures (first: {locked[0].path}) are of the judging split, "
            "which is locked: no training may read it. Train on the set's train split."
        )


def fold_of(specimen: str, *, n_folds: int) -> int:
    """Which of `n_folds` folds a specimen belongs to, 0 to n_folds - 1, from its name alone.

    Raises
    ------
    ValueError
        If there are fewer than 2 folds.
    """
    if n_folds < 2:
        raise ValueError(f"n_folds must be at least 2, received {n_folds}")
    return int.from_bytes(_digest(specimen)[:6], "big") * n_folds >> 48


def deal_folds(pictures: Sequence[One], *, n_folds: int) -> list[list[One]]:
    """The pictures in `n_folds` folds of about equally many, no specimen in two of them.

    Specimens of many pictures are dealt first, each to the smallest fold there is; ties break by a hash of
    the name, so that the order of the pictures doesn't matter.

    Raises
    ------
    RecordError
        If there are fewer specimens than folds.
    ValueError
        If there are fewer than 2 folds.
    """
    if n_folds < 2:
        raise ValueError(f"n_folds must be at least 2, received {n_folds}")
    by_specimen: dict[str, list[One]] = {}
    for one in pictures:
        by_specimen.setdefault(one.specimen, []).append(one)
    if len(by_specimen) < n_folds:
        raise RecordError(
            f"The set has {len(by_specimen)} specimens, too few for {n_folds} folds. "
            f"Ask for at most {len(by_specimen)} folds, or export a set of more specimens."
        )
    order = sorted(by_specimen, key=lambda name: (-len(by_specimen[name]), _digest(name)))
    chosen: dict[str, int] = {}
    sizes = [0] * n_folds
    for name in order:
        chosen[name] = sizes.index(min(sizes))
        sizes[chosen[name]] += len(by_specimen[name])
    return [[one for one in pictures if chosen[one.specimen] == fold] for fold in range(n_folds)]


def _digest(name: str) -> bytes:
    return hashlib.sha256(f"fold\0{name}".encode()).digest()
