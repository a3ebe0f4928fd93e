"""What came of choosing slides by the ranking and at random: recall by labels, differences, the verdict.

Each seed has its own pool and its own trainings; all are judged on the same locked slides. Intervals of
recall are over seeds.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t

from training.bootstrap import draw_specimens
from training.label_next_pairs import AS_IS, RANDOM, RANKED, compare_fewer, tell_fewer
from training.label_plots import Series

Floats = NDArray[np.float64]

NEVER = 2.0
"""Share of the labels that is written where the ranking doesn't get there with all of them."""
WANTED_SHARE = 0.6


def mean_interval(values: Sequence[float]) -> tuple[float, float] | None:
    """95 % interval of a mean by Student's t; None with fewer than two values."""
    if len(values) < 2:
        return None
    half = float(student_t.ppf(0.975, len(values) - 1)) * statistics.stdev(values) / len(values) ** 0.5
    mean = statistics.fmean(values)
    return mean - half, mean + half


def tabulate(results: Iterable[dict[str, Any]]) -> tuple[list[int], Floats, Floats]:
    """Recalls of the seeds that are complete.

    Returns
    -------
    labels : list of int
        0 first: the detector as it is.
    random, ranked : ndarray of shape (S, L)
        Recall of each seed, random orders averaged; 0 where training starts from no detector.
    """
    cells: dict[tuple[int, str, int], list[float]] = {}
    as_is = 0.0
    for one in results:
        share = sum(one["judged"]["own"]["found"]) / max(sum(one["judged"]["own"]["of"]), 1)
        if one["order"] == AS_IS:
            as_is = share
        else:
            cells.setdefault((one["seed"], one["order"], one["labels"]), []).append(share)
    labels = sorted({n for _, _, n in cells})
    seeds = [
        seed
        for seed in sorted({seed for seed, _, _ in cells})
        if all((seed, order, n) in cells for order in (RANKED, RANDOM) for n in labels)
    ]
    table = [
        [[as_is, *(statistics.fmean(cells[seed, order, n]) for n in labels)] for seed in seeds]
        for order in (RANDOM, RANKED)
    ]
    random, ranked = np.array(table, dtype=np.float64).reshape(2, len(seeds), len(labels) + 1)
    return [0, *labels], random, ranked


def share_of_labels(labels: Sequence[int], random: Floats, ranked: Floats) -> float:
    """Labels that the ranking needs, of the most, for the recall that random choice reaches with the most.

    Parameters
    ----------
    labels : sequence of int
        0 first.
    random, ranked : ndarray of shape (L,)
        Recall at each.

    Returns
    -------
    share : float
        By straight lines between the numbers tried; `NEVER` where the ranking doesn't get there, NaN where
        random choice gained nothing.
    """
    goal, best = random[-1], np.maximum.accumulate(ranked)
    if goal <= random[0]:
        return float("nan")
    if best[-1] < goal:
        return NEVER
    after = int(np.argmax(best >= goal))
    step = (goal - best[after - 1]) / (best[after] - best[after - 1])
    return float((labels[after - 1] + step * (labels[after] - labels[after - 1])) / labels[-1])


def compare_orders(results: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """Recall by labels with intervals over seeds, paired differences, and the share of labels needed.

    Pairs of fewer ranked with more random slides count as soon as both are there; the rest takes seeds that
    are complete.
    """
    results = list(results)
    labels, random, ranked = tabulate(results)
    n_seeds = len(random)
    rows = [
        {
            "labels": n,
            **{
                name: {
                    "recall": float(values[:, place].mean()),
                    "interval": mean_interval(values[:, place].tolist()),
                }
                for name, values in ((RANDOM, random), (RANKED, ranked), ("difference", ranked - random))
            },
        }
        for place, n in enumerate(labels)
        if n_seeds
    ]
    return {
        "seeds": n_seeds,
        "rows": rows,
        "share": _share_with_interval(labels, random, ranked),
        "fewer": compare_fewer(results),
        "shift": _shift_with_interval(labels, random, ranked),
    }


def share_by_shift(labels: Sequence[int], random: Floats, ranked: Floats) -> float:
    """Labels that the ranking needs for the same recall, as a share, where each doubling brings as much.

    Both curves as straight lines over the logarithm of labels, with one slope and the ranking's line so much
    higher; NaN where more labels brought nothing.

    Parameters
    ----------
    labels : sequence of int
        0 first; it has no logarithm and is left out.
    random, ranked : ndarray of shape (L,)
        Recall at each.
    """
    doublings = np.log2(labels[1:])
    centred = doublings - doublings.mean()
    slope = float(centred @ (random[1:] + ranked[1:]) / 2 / (centred @ centred))
    higher = float((ranked[1:] - random[1:]).mean())
    return float(2 ** (-higher / slope)) if slope > 0 else float("nan")


def _shift_with_interval(labels: Sequence[int], random: Floats, ranked: Floats) -> dict[str, Any] | None:
    if len(labels) < 3 or not len(random):
        return None
    share = share_by_shift(labels, random.mean(axis=0), ranked.mean(axis=0))
    times = draw_specimens(len(random)) / len(random)
    drawn = np.array([share_by_shift(labels, row @ random, row @ ranked) for row in times])
    if np.isnan(drawn).any() or len(random) < 2:
        return {"share": None if np.isnan(share) else share, "interval": None}
    low, high = np.percentile(drawn, (2.5, 97.5))
    return {"share": share, "interval": (float(low), float(high))}


def _share_with_interval(labels: Sequence[int], random: Floats, ranked: Floats) -> dict[str, Any]:
    n_seeds = len(random)
    if n_seeds == 0 or len(labels) < 2:
        return {"share": None, "interval": None, "draws_within_wanted": None}
    share = share_of_labels(labels, random.mean(axis=0), ranked.mean(axis=0))
    times = draw_specimens(n_seeds) / n_seeds
    drawn = np.array([share_of_labels(labels, row @ random, row @ ranked) for row in times])
    drawn = drawn[np.isfinite(drawn)]
    told = None if np.isnan(share) else share
    if n_seeds < 2 or not len(drawn):
        return {"share": told, "interval": None, "draws_within_wanted": None}
    low, high = np.percentile(drawn, (2.5, 97.5))
    within = float((drawn <= WANTED_SHARE).mean())
    return {"share": told, "interval": (float(low), float(high)), "draws_within_wanted": within}


def to_lines(comparison: dict[str, Any]) -> list[str]:
    """The table and the verdict for a person."""
    lines = [f"{comparison['seeds']} seeds; means with 95 % intervals over seeds (Student's t)."]
    lines += [
        f"{row['labels']:>4} labels  random {_tell(row[RANDOM])}  ranked {_tell(row[RANKED])}  "
        f"ranked less random {_tell(row['difference'], sign='+')}"
        for row in comparison["rows"]
    ]
    return [
        *lines,
        to_verdict(comparison),
        *map(tell_fewer, comparison["fewer"]),
        *_tell_shift(comparison["shift"]),
    ]


def _tell_shift(shift: dict[str, Any] | None) -> list[str]:
    if shift is None or shift["share"] is None:
        return []
    told = f"If each doubling of labels brings as much, the ranking needs {shift['share']:.0%} of the labels"
    if shift["interval"] is None:
        return [f"{told}."]
    low, high = shift["interval"]
    return [f"{told} for the same recall (95 %, drawing seeds anew: {low:.0%} to {high:.0%})."]


def _tell(cell: dict[str, Any], *, sign: str = "") -> str:
    ends = cell["interval"]
    said = f"{cell['recall']:{sign}.3f}"
    return said if ends is None else f"{said} ({ends[0]:{sign}.3f} to {ends[1]:{sign}.3f})"


def to_verdict(comparison: dict[str, Any]) -> str:
    """What the curves come to, in a sentence or two."""
    share, rows = comparison["share"], comparison["rows"]
    if not rows:
        return "No seed is complete yet."
    most, goal = rows[-1]["labels"], rows[-1][RANDOM]["recall"]
    if share["share"] is None:
        return f"Random choice gained nothing with {most} slides, so there is nothing to compare."
    said = (
        "the ranking did not reach it"
        if share["share"] == NEVER
        else f"the ranking reached it with {share['share']:.0%} of them"
    )
    told = f"Random choice reached {goal:.3f} with {most} slides; {said}"
    if share["interval"] is None:
        return f"{told}."
    low, high = share["interval"]
    ends = " to ".join("more than all" if end >= NEVER else f"{end:.0%}" for end in (low, high))
    return (
        f"{told} (95 %, drawing seeds anew: {ends}). In {share['draws_within_wanted']:.0%} of the draws "
        f"{WANTED_SHARE:.0%} or fewer were enough."
    )


def to_series(comparison: dict[str, Any]) -> list[Series]:
    """Both curves for the plot."""
    rows = comparison["rows"]
    return [
        Series(
            name,
            [row["labels"] for row in rows],
            [row[name]["recall"] for row in rows],
            [row[name]["interval"] or (row[name]["recall"],) * 2 for row in rows],
        )
        for name in (RANDOM, RANKED)
    ]
