"""How two fields of a pair lie to each other, measured by all that both show, once it is known roughly."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.stitch.cells import Cells, cut_shared, take_off_broad
from triage.stitch.fields import SMOOTH_PX
from triage.stitch.records import Measured, Pair
from triage.stitch.stiff import fit_stiff, rotate, tells_turn

_ROUNDS = 3
_LEAST_SIDE_PX = 16
_LEAST_SEEN = 0.5
_LEAST_LIKENESS = 0.3
# Of an overlap that is known to agree as a whole, cells that are less alike count, too.
_LEAST_FAINT_LIKENESS = 0.15
_MOST_SHIFT_PX = 4.0
_LEAST_PLACES = 3
_LEAST_CELLS = 2
_TURN_PRIOR_RAD = 0.02
_SOFT = 2.5
_FIT_ROUNDS = 8
# Farther from what made the pair it is something else.
_MOST_FROM_FOUND_PX = 2.0
# Cells scatter by a little more than grain explains. Resampling, and what is left of uneven light and dust,
# shift all cells of an overlap alike: by as much for many, so each counts it as often as there are cells.
# Turns of 545 pairs of 20 x 20 drawn fields err by 0.6 times what is stated (68 %), 1.3 times (95 %) and 3.2
# times at most, shifts by 0.9, 1.6 and 3.8 times.
_CAREFUL = 1.2
_ALIKE_SD_PX = 0.03


@dataclass(frozen=True)
class _Offs:
    """Squares of an overlap, shape (K, ...): place told of, how far theirs lies off there, what is known."""

    ours_xy: NDArray[np.float64]
    off_xy: NDArray[np.float64]
    information: NDArray[np.float64]


def measure_shared(
    pair: Pair,
    ours: NDArray[np.float32],
    theirs: NDArray[np.float32],
    grain: float,
    *,
    is_faint: bool = False,
) -> Measured | None:
    """Where the fields of a pair lie to each other; None where too little of the overlap tells.

    Parameters
    ----------
    pair : Pair
    ours, theirs : ndarray of shape (H, W)
        Grey values of its fields under even light, as `GreyReader` gives them.
    grain : float
        Deviation of the grain in these values.
    is_faint : bool
        Take cells that are hardly alike, too, and count each by how alike it is: slopes of mere grain tell
        nothing.

    Notes
    -----
    Places of a pair are found by patches that aren't turned, though fields may be, and by the best of whole
    pixels with a parabola over it. Here theirs is laid on ours by the shift and turn known so far, and each
    cell of the overlap says by its slopes how far theirs still lies off; then shift and turn are fitted
    again. Of 12 x 12 drawn fields half of the turns are off by less than 0.009 degrees instead of 0.026.

    References
    ----------
    B. D. Lucas and T. Kanade, "An iterative image registration technique", 1981 (from memory).
    """
    height, width = ours.shape
    half = np.array([width, height]) / 2
    has_turn = len(pair.likeness) >= _LEAST_PLACES and tells_turn(pair.second_xy)
    to_ours = fit_stiff(pair.second_xy + half, pair.first_xy + half, has_turn=has_turn)
    fine = take_off_broad(ours), take_off_broad(theirs)
    cells = _compare_cells(*fine, to_ours, grain, is_faint=is_faint)
    for _ in range(_ROUNDS - 1):
        if cells is None:
            return None
        to_ours = _lay_better(to_ours, cells)
        cells = _compare_cells(*fine, to_ours, grain, is_faint=is_faint)
    if cells is None:
        return None
    theirs_xy = (cells.ours_xy - cells.off_xy - to_ours[:, 2]) @ np.linalg.inv(to_ours[:, :2]).T
    to_ours = _lay_better(to_ours, cells)
    found_xy = (pair.second_xy + half) @ to_ours[:, :2].T + to_ours[:, 2] - half
    if np.median(np.hypot(*(found_xy - pair.first_xy).T)) > _MOST_FROM_FOUND_PX:
        return None
    alike = _ALIKE_SD_PX**2 * len(cells.information)
    covariance = _CAREFUL**2 * np.linalg.inv(cells.information) + alike * np.eye(2)
    return Measured(cells.ours_xy - half, theirs_xy - half, np.asarray(np.linalg.inv(covariance), np.float64))


def _compare_cells(
    ours: NDArray[np.float32],
    theirs: NDArray[np.float32],
    to_ours: NDArray[np.float64],
    grain: float,
    *,
    is_faint: bool,
) -> _Offs | None:
    """How far theirs lies off, cell by cell, when it is laid on ours so."""
    mine, other, weight, corner = cut_shared(ours, theirs, to_ours)
    if min(weight.shape) < _LEAST_SIDE_PX:
        return None
    sums = Cells(weight)
    both = np.asarray((mine + other) / 2, np.float32)
    slope_x, slope_y = (
        np.asarray(cv2.Sobel(both, cv2.CV_32F, *along, ksize=3, scale=1 / 8), np.float32)
        for along in ((1, 0), (0, 1))
    )
    left_over = np.asarray(mine - other, np.float32)
    y, x = (np.mgrid[: weight.shape[0], : weight.shape[1]] + 0.5).astype(np.float32)
    # How bright they are, and how strongly they show it, is free in each cell.
    strength = np.maximum(sums.multiply(both, both), 1e-9)
    values = {"x": slope_x, "y": slope_y, "turn": slope_y * x - slope_x * y, "d": left_over}
    by = {name: sums.multiply(one, both) for name, one in values.items()}

    def product(one: str, two: str) -> NDArray[np.float64]:
        return sums.multiply(values[one], values[two]) - by[one] * by[two] / strength

    bends = np.stack([product("x", "x"), product("x", "y"), product("x", "y"), product("y", "y")], axis=-1)
    pull = np.stack([product("x", "d"), product("y", "d")], axis=-1)
    likeness = sums.compare(mine, other)
    least = _LEAST_FAINT_LIKENESS if is_faint else _LEAST_LIKENESS
    is_told = (sums.count > _LEAST_SEEN * sums.size) & (likeness >= least)
    normal = bends[is_told].reshape(-1, 2, 2) + 1e-6 * np.eye(2)
    off_xy = -np.linalg.solve(normal, pull[is_told][..., None])[..., 0]
    rest = (product("d", "d")[is_told] + (pull[is_told] * off_xy).sum(axis=1)) / sums.count[is_told]
    # Grain of neighbouring pixels is alike after smoothing, as if there were fewer of them.
    alike = 4 * np.pi * SMOOTH_PX**2
    information = normal / (alike * np.maximum(rest, 1.3 * grain**2).clip(1e-9))[:, None, None]
    if is_faint:
        information *= likeness[is_told][:, None, None] ** 2
    is_near = np.hypot(*off_xy.T) < _MOST_SHIFT_PX
    if is_near.sum() < _LEAST_CELLS:
        return None
    twist = np.stack([product("x", "turn"), product("y", "turn")], axis=-1)
    told_xy = _find_still(normal, twist[is_told]) + np.array(corner)
    return _Offs(told_xy[is_near], off_xy[is_near], information[is_near])


def _find_still(normal: NDArray[np.float64], twist: NDArray[np.float64]) -> NDArray[np.float64]:
    """Place around which a turn changes nothing of each cell, shape (K, 2): of an arc, the circle's middle.

    There a cell tells how far theirs lies off. Taken for its own middle, it would seem to tell a turn, too,
    that only moves an arc along itself.
    """
    y_x = np.linalg.solve(normal, twist[..., None])[..., 0]
    still: NDArray[np.float64] = np.stack([y_x[:, 1], -y_x[:, 0]], axis=-1)
    return still


def _lay_better(to_ours: NDArray[np.float64], cells: _Offs) -> NDArray[np.float64]:
    """Shift and turn moved by what the cells agree on."""
    middle = cells.ours_xy.mean(axis=0)
    x, y = (cells.ours_xy - middle).T
    one, zero = np.ones(len(x)), np.zeros(len(x))
    moves = np.stack([np.stack([one, zero, -y], axis=-1), np.stack([zero, one, x], axis=-1)], axis=1)
    prior = np.diag([1e-9, 1e-9, _TURN_PRIOR_RAD**-2])
    trust = one
    for _ in range(_FIT_ROUNDS):
        weighted = np.einsum("kia,kij,k->kaj", moves, cells.information, trust)
        step = np.linalg.solve(
            np.einsum("kaj,kjb->ab", weighted, moves) + prior, np.einsum("kaj,kj->a", weighted, cells.off_xy)
        )
        left = cells.off_xy - moves @ step
        deviations = np.sqrt(np.einsum("ki,kij,kj->k", left, cells.information, left))
        trust = 1 / np.maximum(1, deviations / _SOFT)
    turn = rotate(float(step[2]))
    return np.column_stack([turn @ to_ours[:, :2], middle + turn @ (to_ours[:, 2] - middle) + step[:2]])
