"""Splits by specimen, so that no specimen sits on both sides; stable when a set grows."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

HELD_OUT_SHARE = 0.2


def split_of(specimen: str, *, held_out_share: float = HELD_OUT_SHARE, salt: str = "") -> str:
    """`train` or `held_out`, from the name of the specimen alone.

    Parameters
    ----------
    specimen : str
        What tells specimens apart; every picture of one specimen gets the same answer.
    held_out_share : float
        Expected share of specimens that are held out, 0 to 1.
    salt : str
        Another salt gives another split.

    Raises
    ------
    ValueError
        If the share is not from 0 to 1.
    """
    if not 0 <= held_out_share <= 1:
        raise ValueError(f"held_out_share must be from 0 to 1, received {held_out_share}")
    return "held_out" if _place_of(specimen, salt) < held_out_share else "train"


def fold_of(specimen: str, *, n_folds: int, salt: str = "") -> int:
    """Which of `n_folds` folds a specimen belongs to, from its name alone."""
    if n_folds < 2:
        raise ValueError(f"n_folds must be at least 2, received {n_folds}")
    return int(_place_of(specimen, salt) * n_folds)


def split_specimens(
    specimens: Iterable[str], *, held_out_share: float = HELD_OUT_SHARE, salt: str = ""
) -> dict[str, list[int]]:
    """Positions of `specimens` on each side: `{"train": [...], "held_out": [...]}`."""
    sides: dict[str, list[int]] = {"train": [], "held_out": []}
    for index, specimen in enumerate(specimens):
        sides[split_of(specimen, held_out_share=held_out_share, salt=salt)].append(index)
    return sides


def _place_of(specimen: str, salt: str) -> float:
    """A number from 0 to below 1 that looks random and never changes."""
    digest = hashlib.sha256(f"{salt}\0{specimen}".encode()).digest()
    return int.from_bytes(digest[:6], "big") / 2**48
