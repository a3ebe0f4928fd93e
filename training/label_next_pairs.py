"""So many ranked slides against the next larger number of random ones, seed by seed, on the same slides.

References
----------
Owen 2007, "The pigeonhole bootstrap", Ann Appl Stat 1:386-411 (from memory): drawing rows and columns of a
crossed table anew gives intervals that are rather too wide than too narrow.
"""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.bootstrap import SEED, draw_specimens, share_of_first

Floats = NDArray[np.float64]

RANKED, RANDOM, AS_IS = "ranked", "random", "as it is"


@dataclass(frozen=True)
class _Found:
    """Of one seed, order and number of labels: objects found on each slide, and those marked to learn."""

    found: Floats
    n_marked: float


def compare_fewer(results: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Recall with ranked slides less that with the next larger number of random ones, a row for each pair.

    Every seed counts in which both were trained. Where there are several pairs, a last row averages them over
    the seeds that have all.
    """
    cells = _count_cells(results)
    of = next((np.array(one["judged"]["own"]["of"], dtype=np.float64) for one in results), np.zeros(0))
    labels = sorted({n for _, _, n in cells})
    rows, gained_by_seed = [], []
    for some, more in itertools.pairwise(labels):
        pairs = {
            seed: (cells[seed, RANKED, some], cells[seed, RANDOM, more])
            for seed in sorted({seed for seed, _, _ in cells})
            if (seed, RANKED, some) in cells and (seed, RANDOM, more) in cells
        }
        if pairs:
            gained_by_seed.append({seed: ours.found - theirs.found for seed, (ours, theirs) in pairs.items()})
            marked = np.array([[one.n_marked for one in pair] for pair in pairs.values()]).mean(axis=0)
            rows.append(
                {
                    **_to_row([some], [more], list(gained_by_seed[-1].values()), of),
                    "objects_marked": marked.tolist(),
                }
            )
    whole = set.intersection(*map(set, gained_by_seed)) if len(gained_by_seed) > 1 else set()
    if whole:
        means = [np.mean([gained[seed] for gained in gained_by_seed], axis=0) for seed in sorted(whole)]
        some, more = ([row[order][0] for row in rows] for order in (RANKED, RANDOM))
        rows.append(_to_row(some, more, means, of))
    return rows


def _count_cells(results: Sequence[dict[str, Any]]) -> dict[tuple[int, str, int], _Found]:
    """What was found with each; random orders of a seed averaged."""
    cells: dict[tuple[int, str, int], list[dict[str, Any]]] = {}
    for one in results:
        if one["order"] != AS_IS:
            cells.setdefault((one["seed"], one["order"], one["labels"]), []).append(one)
    return {
        key: _Found(
            np.mean([one["judged"]["own"]["found"] for one in several], axis=0),
            statistics.fmean(one["objects"] for one in several),
        )
        for key, several in cells.items()
    }


def _to_row(some: list[int], more: list[int], gained: Sequence[Floats], of: Floats) -> dict[str, Any]:
    difference, interval = draw_difference(np.stack(gained), of)
    return {
        RANKED: some,
        RANDOM: more,
        "seeds": len(gained),
        "difference": difference,
        "interval": interval,
    }


def draw_difference(gained: Floats, of: Floats) -> tuple[float, tuple[float, float] | None]:
    """A difference of recall with its 95 % interval by drawing seeds and slides anew.

    Parameters
    ----------
    gained : ndarray of shape (S, K)
        Objects that one found more than the other, of each seed and slide.
    of : ndarray of shape (K,)
        Objects there.

    Returns
    -------
    difference, interval
        None for the interval with fewer than two seeds or slides.
    """
    n_seeds, n_slides = gained.shape
    difference = float(gained.sum() / max(n_seeds * of.sum(), 1))
    if min(n_seeds, n_slides) < 2 or of.sum() == 0:
        return difference, None
    seeds, slides = draw_specimens(n_seeds), draw_specimens(n_slides, seed=SEED + 1)
    sums = np.stack([((seeds @ gained) * slides).sum(axis=1), n_seeds * (slides @ of)], axis=1)
    drawn = share_of_first(sums)
    low, high = np.percentile(drawn[np.isfinite(drawn)], (2.5, 97.5))
    return difference, (float(low), float(high))


def tell_fewer(row: dict[str, Any]) -> str:
    """A row in words, for a person."""
    some, more = (", ".join(map(str, row[order])) for order in (RANKED, RANDOM))
    marked = ""
    if "objects_marked" in row:
        ours, theirs = row["objects_marked"]
        marked = f" ({ours:.1f} objects marked against {theirs:.1f})"
    interval = row["interval"]
    ends = (
        ""
        if interval is None
        else f" ({interval[0]:+.3f} to {interval[1]:+.3f}, drawing seeds and slides anew)"
    )
    return (
        f"{some} ranked slides against {more} random ones{marked}, {row['seeds']} seeds: "
        f"recall {row['difference']:+.3f}{ends}."
    )
