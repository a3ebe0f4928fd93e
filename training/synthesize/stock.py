"""Objects drawn ahead: many of a kind at once cost little more than one, and many scenes share them.

A scene picks a stock and a row at random, then turns, places, stains and blurs the object in its own way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import product
from pathlib import Path
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from training.synthesize.kinds import KINDS
from training.synthesize.kinds.kind import Kind, Parameters
from training.synthesize.processes import open_processes

STOCKS_OF_A_KIND = 16
OBJECTS_IN_A_STOCK = 64
_OUTLINE = "outline_um"


@dataclass(frozen=True)
class Stock:
    """`OBJECTS_IN_A_STOCK` objects of one kind, their parameters and outlines, a row each."""

    parameters: Parameters
    outline_um: NDArray[np.float32]


StockSource = Callable[[Kind, int], Stock]
"""Gives stock `number` of a kind, `0 <= number < STOCKS_OF_A_KIND`; always the same one."""


@lru_cache(maxsize=len(KINDS) * STOCKS_OF_A_KIND)
def draw_stock(kind: Kind, number: int) -> Stock:
    """Stock `number` of a kind, from a seed that belongs to it alone."""
    rng = np.random.default_rng([number, crc32(kind.name.encode())])
    parameters = kind.draw_parameters(rng, OBJECTS_IN_A_STOCK)
    return Stock(parameters, kind.outline(parameters))


class StoredStocks:
    """Reads stocks that `store_stocks` wrote; each process reads a stock once.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: dict[tuple[str, int], Stock] = {}

    def __call__(self, kind: Kind, number: int) -> Stock:
        key = kind.name, number
        if key not in self._read:
            with np.load(_stock_path(self._folder, *key)) as arrays:
                parameters = {name: arrays[name] for name in arrays.files if name != _OUTLINE}
                self._read[key] = Stock(parameters, arrays[_OUTLINE])
        return self._read[key]


def store_stocks(folder: Path, *, workers: int, kinds: Mapping[str, Kind] = KINDS) -> StoredStocks:
    """Every stock of every kind, drawn by `workers` processes into `folder`.

    The same objects as `draw_stock` gives, so that scenes don't depend on where a stock came from.
    """
    orders = list(product(kinds, range(STOCKS_OF_A_KIND)))
    with open_processes(workers) as pool:
        list(pool.map(partial(_store_one, folder), orders, chunksize=4))
    return StoredStocks(folder)


def _store_one(folder: Path, order: tuple[str, int]) -> None:
    name, number = order
    stock = draw_stock(KINDS[name], number)
    arrays: dict[str, NDArray[np.float32]] = {**stock.parameters, _OUTLINE: stock.outline_um}
    np.savez(_stock_path(folder, name, number), allow_pickle=False, **arrays)


def _stock_path(folder: Path, name: str, number: int) -> Path:
    return folder / f"{name}_{number}.npz"
