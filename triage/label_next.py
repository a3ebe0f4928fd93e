"""Which pictures to label next: those that a detector is unsure of, and that are unlike those chosen before.

References
----------
Greedy k-centre, the variety of a choice: Gonzalez 1985, Theor Comput Sci 38:293-306; for choosing what to
label: Sener & Savarese 2018, "Active Learning for Convolutional Neural Networks: A Core-Set Approach" (both
from memory). Multiplying it with a doubt is our choice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.groups import read_groups

Floats = NDArray[np.float64]
MEASURED = ("sharpness", "contrast", "evenness")
_LEAST_DOUBT = 0.25
"""What the surest picture still counts, against 1.25 of the most doubtful, so that variety alone may win."""


@dataclass(frozen=True)
class PictureSaid:
    """What a detector says of one picture, as far as the choice needs it.

    Attributes
    ----------
    doubt : float
        Sum over its candidates of how close each score is to a toss-up, and how open its group is.
    features : ndarray of shape (F,)
        Expected objects of each group and look-alike, candidates, and what was measured of focus and light;
        NaN where it wasn't.
    """

    doubt: float
    features: Floats


@dataclass(frozen=True)
class Chosen:
    """A picture in the order in which it would teach; `index` is its place in what was given.

    Attributes
    ----------
    index : int
    doubt : float
        As in `PictureSaid`.
    novelty : float
        Distance to the nearest that was labelled or chosen before it, in standard deviations; 0 for the very
        first.
    """

    index: int
    doubt: float
    novelty: float


def describe_said(
    candidates: Sequence[Mapping[str, Any]], measured: Mapping[str, float | None]
) -> PictureSaid:
    """What a picture's candidates say of it.

    Parameters
    ----------
    candidates : sequence of mapping
        With `score`, `group_scores` and `look_alike_scores`, as a proposal's JSON has them.
    measured : mapping of str to float
        Some of `MEASURED`, as `triage.strata.to_measured` names them.
    """
    names = [group.name for group in read_groups()]
    scores = np.array([float(one["score"]) for one in candidates], dtype=np.float64)
    shares = np.array(
        [
            [{**one["group_scores"], **one.get("look_alike_scores", {})}.get(name, 0.0) for name in names]
            for one in candidates
        ],
        dtype=np.float64,
    ).reshape(-1, len(names))
    toss_up = 4 * scores * (1 - scores)
    open_group = scores * (1 - shares.max(axis=1, initial=0.0))
    expected = (scores[:, None] * shares).sum(axis=0)
    known = [measured.get(name) for name in MEASURED]
    features = [
        *np.log1p(expected),
        np.log1p(len(scores)),
        *(np.nan if value is None else value for value in known),
    ]
    return PictureSaid(float((toss_up + open_group).sum()), np.array(features, dtype=np.float64))


def rank_to_label(pool: Sequence[PictureSaid], labelled: Sequence[PictureSaid] = ()) -> list[Chosen]:
    """The pictures of a pool in the order in which they would teach; ties go to the earlier one.

    Parameters
    ----------
    pool : sequence of PictureSaid
        Pictures without labels; may be empty.
    labelled : sequence of PictureSaid, optional
        Pictures that have labels already.
    """
    if not pool:
        return []
    features = _standardize(np.array([one.features for one in (*pool, *labelled)]))
    own, others = features[: len(pool)], features[len(pool) :]
    weights = _LEAST_DOUBT + _rank_shares(np.array([one.doubt for one in pool]))
    nearest = _distances(own, others).min(axis=1, initial=np.inf)
    chosen: list[Chosen] = []
    left = list(range(len(pool)))
    while left:
        # Nothing is near yet: the most doubtful goes first.
        gains = np.where(np.isfinite(nearest), nearest, 1.0) * weights
        best = max(left, key=lambda index: (gains[index], weights[index], -index))
        novelty = float(nearest[best]) if np.isfinite(nearest[best]) else 0.0
        chosen.append(Chosen(best, pool[best].doubt, novelty))
        left.remove(best)
        nearest = np.minimum(nearest, _distances(own, own[best : best + 1])[:, 0])
    return chosen


def _standardize(features: Floats) -> Floats:
    """Each column with mean 0 and deviation 1; what wasn't measured lies in the middle."""
    known = np.isfinite(features)
    counts = np.maximum(known.sum(axis=0), 1)
    filled = np.where(known, features, 0.0)
    centred = np.where(known, features - filled.sum(axis=0) / counts, 0.0)
    spread = np.sqrt((centred**2).sum(axis=0) / counts)
    return np.asarray(centred / np.where(spread > 0, spread, 1.0))


def _rank_shares(values: Floats) -> Floats:
    """Share of the others that each value is at least as large as, 0 to 1."""
    return np.asarray((values[:, None] >= values[None, :]).mean(axis=1))


def _distances(some: Floats, others: Floats) -> Floats:
    """Root of the mean squared difference, shape (N, M)."""
    return np.asarray(np.sqrt(((some[:, None] - others[None, :]) ** 2).mean(axis=2)))
