"""Splits and folds by specimen, so that no specimen sits on both sides; stable when a set grows."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Protocol, TypeVar

from triage.labelled_set import choose_split

SPLITS = ("train", "held_out")


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
    return [one for one in pictures if choose_split(one.specimen) == split]


def fold_of(specimen: str, *, n_folds: int) -> int:
    """Which of `n_folds` folds a specimen belongs to, 0 to n_folds - 1, from its name alone.

    Raises
    ------
    ValueError
        If there are fewer than 2 folds.
    """
    if n_folds < 2:
        raise ValueError(f"n_folds must be at least 2, received {n_folds}")
    digest = hashlib.sha256(f"fold\0{specimen}".encode()).digest()
    return int.from_bytes(digest[:6], "big") * n_folds >> 48
