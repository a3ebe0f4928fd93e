"""How far readers agree beyond chance: kappas and alpha."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from triage.errors import RecordError

Floats = NDArray[np.float64]
Level = Literal["nominal", "ordinal", "interval", "ratio"]


def tabulate_pairs(
    first: Sequence[Hashable], second: Sequence[Hashable], categories: Sequence[Hashable]
) -> Floats:
    """How often the first reader said the row's category and the second the column's.

    Parameters
    ----------
    first, second : sequence of length N
        Answers of two readers to the same N objects.
    categories : sequence of length C
        All that can be answered.

    Returns
    -------
    table : ndarray of shape (C, C)

    Raises
    ------
    RecordError
        If the readers answered different numbers of objects, or a category isn't in the list.
    """
    if len(first) != len(second):
        raise RecordError(
            f"The first reader answered {len(first)} objects and the second {len(second)}; both must have "
            "answered the same ones. Leave out what only one has seen."
        )
    rows = {category: row for row, category in enumerate(categories)}
    unknown = [answer for answer in (*first, *second) if answer not in rows]
    if unknown:
        raise RecordError(
            f"There is an answer {unknown[0]!r}; allowed are: {', '.join(str(one) for one in categories)}."
        )
    table = np.zeros((len(rows), len(rows)))
    for one, other in zip(first, second, strict=True):
        table[rows[one], rows[other]] += 1
    return table


def disagreement_weights(n_categories: int, *, power: float = 1.0) -> Floats:
    """How badly two of C ordered categories disagree, shape (C, C): their steps apart to a power."""
    steps = np.arange(n_categories, dtype=np.float64)
    return np.asarray(np.abs(steps[:, None] - steps[None, :]) ** power)


def cohen_kappa(table: Floats, *, weights: Floats | None = None) -> float | None:
    """Agreement of two readers beyond chance; 1 is full, 0 is chance.

    Parameters
    ----------
    table : ndarray of shape (C, C)
        Counts or shares, as `tabulate_pairs` gives them.
    weights : ndarray of shape (C, C), optional
        How badly two categories disagree, 0 on the diagonal; None takes all disagreements alike.

    Returns
    -------
    kappa : float or None
        None where it isn't defined: no object, or both readers always gave one and the same answer.

    Raises
    ------
    RecordError
        If the table isn't square, a cell is below 0, or the weights have another shape.

    References
    ----------
    Cohen 1960, Educ Psychol Meas 20:37-46 (from memory); weighted: Cohen 1968, Psychol Bull 70:213-220.
    """
    table = _as_counts(table)
    if table.shape[0] != table.shape[1]:
        raise RecordError(f"The table is {table.shape[0]} x {table.shape[1]}; it must be square.")
    weights = 1 - np.eye(len(table)) if weights is None else np.asarray(weights, dtype=np.float64)
    if weights.shape != table.shape:
        raise RecordError(f"The weights have shape {weights.shape}; they must have that of the table.")
    n = table.sum()
    if n == 0:
        return None
    by_chance = np.outer(table.sum(axis=1), table.sum(axis=0)) / n
    return _beyond_chance(float((weights * table).sum()), float((weights * by_chance).sum()))


def fleiss_kappa(counts: Floats) -> float | None:
    """Agreement of the same number of readers, not always the same persons, on each object.

    Parameters
    ----------
    counts : ndarray of shape (N, C)
        How many readers gave each object each category; every row adds up to the same number, 2 or more.

    Returns
    -------
    kappa : float or None
        None where it isn't defined: no object, or all answers alike.

    Raises
    ------
    RecordError
        If rows add up to different numbers or to less than 2, or a cell is below 0.

    References
    ----------
    Fleiss 1971, Psychol Bull 76:378-382.
    """
    counts = _as_counts(counts)
    if not len(counts):
        return None
    readers = counts.sum(axis=1)
    n_readers = float(readers[0])
    if n_readers < 2 or (readers != n_readers).any():
        raise RecordError(
            f"Objects were answered by {readers.min():g} to {readers.max():g} readers; all must have the "
            "same number, at least 2. Use Krippendorff's alpha where some answers are missing."
        )
    agreeing = (counts * (counts - 1)).sum(axis=1) / (n_readers * (n_readers - 1))
    by_chance = (counts.sum(axis=0) / counts.sum()) ** 2
    return _beyond_chance(1 - float(agreeing.mean()), 1 - float(by_chance.sum()))


def krippendorff_alpha(ratings: Floats, *, level: Level = "nominal") -> float | None:
    """Agreement of any number of readers, some answers missing.

    Parameters
    ----------
    ratings : ndarray of shape (R, N)
        Answers of R readers to N objects as numbers; NaN where one is missing.
    level : str
        What the numbers mean: names (`nominal`), ranks (`ordinal`), differences (`interval`) or
        proportions (`ratio`, none below 0).

    Returns
    -------
    alpha : float or None
        None where it isn't defined: no object with two answers, or all of those answers alike.

    Raises
    ------
    RecordError
        If the level has no such name, or ratios are asked of numbers below 0.

    Notes
    -----
    Objects with fewer than two answers drop out.

    References
    ----------
    Krippendorff 2011, "Computing Krippendorff's Alpha-Reliability".
    """
    ratings = np.asarray(ratings, dtype=np.float64)
    if level not in _DISTANCES:
        raise RecordError(f"There is no level {level!r}. Use one of: {', '.join(_DISTANCES)}.")
    if level == "ratio" and (ratings < 0).any():
        raise RecordError(f"A rating is {np.nanmin(ratings):g}; for ratios none may be below 0.")
    values, coincidences = _count_coincidences(ratings)
    totals = coincidences.sum(axis=1)
    n = totals.sum()
    if n == 0:
        return None
    distances = _DISTANCES[level](values, totals)
    # Pairs of equal values would be fewer, but have no distance.
    by_chance = np.outer(totals, totals) / (n - 1)
    return _beyond_chance(float((distances * coincidences).sum()), float((distances * by_chance).sum()))


def _count_coincidences(ratings: Floats) -> tuple[Floats, Floats]:
    """Values, and how often each pairs with each on one object; an only answer pairs with none."""
    values = np.unique(ratings[~np.isnan(ratings)])
    # (V, N): how many readers gave each object each value.
    counts = (ratings[None] == values[:, None, None]).sum(axis=1).astype(np.float64)
    per_pair = counts / np.maximum(counts.sum(axis=0) - 1, 1)
    return values, per_pair @ counts.T - np.diag(per_pair.sum(axis=1))


def _nominal(values: Floats, totals: Floats) -> Floats:
    return np.asarray(values[:, None] != values[None, :], dtype=np.float64)


def _ordinal(values: Floats, totals: Floats) -> Floats:
    """Squared number of answers between two ranks, half of each rank's own counted."""
    middles = np.cumsum(totals) - totals / 2
    return np.asarray((middles[:, None] - middles[None, :]) ** 2)


def _interval(values: Floats, totals: Floats) -> Floats:
    return np.asarray((values[:, None] - values[None, :]) ** 2)


def _ratio(values: Floats, totals: Floats) -> Floats:
    sums = values[:, None] + values[None, :]
    return np.asarray(((values[:, None] - values[None, :]) / np.where(sums > 0, sums, 1)) ** 2)


_DISTANCES = {"nominal": _nominal, "ordinal": _ordinal, "interval": _interval, "ratio": _ratio}


def _beyond_chance(disagreement: float, by_chance: float) -> float | None:
    return 1 - disagreement / by_chance if by_chance > 0 else None


def _as_counts(table: Floats) -> Floats:
    table = np.asarray(table, dtype=np.float64)
    if table.ndim != 2 or not np.isfinite(table).all() or (table < 0).any():
        raise RecordError("The table must have rows and columns of numbers that are 0 or more.")
    return table
