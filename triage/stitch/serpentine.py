"""Places of fields that show nothing, from the regular steps of a scan there and back."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Rows of the scan are told apart only where the placed fields outnumber the six numbers of the lattice.
_LEAST_PLACED = 6
# Steps that scatter more than this share of a field are not regular enough to place anything by.
_MOST_SCATTER = 0.05


@dataclass(frozen=True)
class Lattice:
    """A serpentine fitted to the fields that could be placed.

    Attributes
    ----------
    columns : int
        Fields in a row.
    middle_xy : ndarray of shape (N, 2)
        Where the steps put each field.
    scatter_px : float
        Root mean square distance of the placed fields from it.
    """

    columns: int
    middle_xy: NDArray[np.float64]
    scatter_px: float


def fit_serpentine(
    middle_xy: NDArray[np.float64], is_placed: NDArray[np.bool_], side_px: int
) -> Lattice | None:
    """The serpentine that fits the placed fields best; None where none does.

    Parameters
    ----------
    middle_xy : ndarray of shape (N, 2)
        In the order in which they were taken.
    is_placed : ndarray of shape (N,)
        Which of them are known.
    side_px : int
        Shorter side of a field.
    """
    n = len(middle_xy)
    if is_placed.sum() < _LEAST_PLACED:
        return None
    fits = [_fit(middle_xy, is_placed, columns) for columns in range(2, (n + 1) // 2 + 1)]
    best = min(fits, key=lambda fit: fit.scatter_px, default=None)
    return best if best is not None and best.scatter_px <= _MOST_SCATTER * side_px else None


def fill_by_steps(
    middle_xy: NDArray[np.float64],
    group: NDArray[np.int64],
    is_placed: NDArray[np.bool_],
    blank: Set[int],
    *,
    left_out: Set[int],
    side_px: int,
) -> tuple[NDArray[np.float64], dict[int, float]]:
    """Places with blank fields and cut-off groups put where the steps have them, and these fields' scatter.

    Parameters
    ----------
    middle_xy : ndarray of shape (N, 2)
        In the order in which they were taken.
    group : ndarray of shape (N,)
        Which fields hang together.
    is_placed : ndarray of shape (N,)
    blank, left_out : set of int
        Fields that show nothing, and those that stay out whatever the steps say.
    side_px : int
        Shorter side of a field.

    Notes
    -----
    A single field that shows something but nothing of its neighbours stays out: it may be from another
    slide. A group stays out where its own steps don't fit the serpentine.
    """
    lattice = fit_serpentine(middle_xy, is_placed, side_px)
    if lattice is None:
        return middle_xy, {}
    filled, scatter = middle_xy.copy(), {}
    for number in sorted(blank):
        filled[number], scatter[number] = lattice.middle_xy[number], lattice.scatter_px
    for one in np.unique(group[~is_placed]):
        members = [n for n in (group == one).nonzero()[0].tolist() if n not in left_out]
        if len(members) < 2 or is_placed[members].any():
            continue
        shift = np.median(lattice.middle_xy[members] - middle_xy[members], axis=0)
        off = np.hypot(*(middle_xy[members] + shift - lattice.middle_xy[members]).T)
        if off.max() <= 2 * _MOST_SCATTER * side_px:
            for number in members:
                filled[number] = middle_xy[number] + shift
                scatter[number] = lattice.scatter_px
    return filled, scatter


def _fit(middle_xy: NDArray[np.float64], is_placed: NDArray[np.bool_], columns: int) -> Lattice:
    row, along = np.divmod(np.arange(len(middle_xy)), columns)
    column = np.where(row % 2 == 0, along, columns - 1 - along)
    terms = np.stack([np.ones(len(row)), column, row], axis=1).astype(np.float64)
    steps = np.linalg.lstsq(terms[is_placed], middle_xy[is_placed], rcond=None)[0]
    expected = terms @ steps
    off = np.hypot(*(expected - middle_xy)[is_placed].T)
    return Lattice(columns, expected, float(np.sqrt(np.mean(off**2))))
