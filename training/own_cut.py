"""A default cut of its own for an adapted detector, from pictures and drawn tiles that it never learnt.

Scores move with an adaptation, so the cut of the detector before says nothing of the new ones. The cut is
the highest score that finds `WANTED_RECALL` of the objects, but no lower than lets through as many false
candidates a picture as the detector before did at its own cut on the same; unless fewer objects would be
found than that one found there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch

from training.cut import detect_tiles, to_truth
from training.evaluate import Judged
from training.metrics import FALSE, Matches, free_response, match_candidates, wilson_interval
from training.targets import Batch, list_scales
from triage.groups import candidate_groups
from triage.network_file import read_network
from triage.score_calibration import read_score_calibration
from triage.weights import WeightsRecord, read_record, write_record

WANTED_RECALL = 0.95
LISTING_CUT = 0.1
"""Default cut while pictures are judged to choose one: lower than is chosen, so that the curve goes on."""
_DECIMALS = 4


@dataclass(frozen=True)
class Seen:
    """One picture or tile that was never learnt, with what a detector made of it."""

    matches: Matches
    is_tile: bool
    is_object_free: bool


def take_pictures(judged: Sequence[Judged]) -> list[Seen]:
    """Judged pictures as what a cut is chosen on."""
    return [Seen(one.matches, is_tile=False, is_object_free=one.is_object_free) for one in judged]


def take_tiles(folder: Path, batches: Sequence[Batch], device: torch.device) -> list[Seen]:
    """What the detector of a folder makes of drawn tiles, with the scores that a proposal would give."""
    record = read_record(folder)
    network = read_network(folder, record).to(device)
    calibration = read_score_calibration(record.score_calibration, is_scale_known=True)
    seen = []
    for tiles, targets in batches:
        detected = detect_tiles(network, tiles, list_scales(targets))
        for found, target in zip(detected, targets, strict=True):
            truth = to_truth(target, len(candidate_groups()))
            scores = np.asarray(calibration.calibrate_scores(found.scores), dtype=np.float64)
            is_free = len(truth.boxes_xyxy) == 0 and len(truth.ignored_xyxy) == 0
            seen.append(Seen(match_candidates(found.boxes_xyxy, scores, truth), True, is_free))
    return seen


@dataclass(frozen=True)
class OwnCut:
    """A cut, and what is said of it: None where it is that of the detector before, for want of objects."""

    score: float
    said: dict[str, Any] | None

    def write(self, folder: Path, **scores: Any) -> WeightsRecord:
        """Write it into the record of a folder, with more `scores` beside it; the record as written."""
        record = read_record(folder)
        told = {} if self.said is None else {"default_cut": self.said}
        scores = {**record.scores, **scores, **told}
        return write_record(folder, replace(record, default_cut=self.score, scores=scores))


def find_cut(before: Sequence[Seen], old_cut: float, after: Sequence[Seen]) -> OwnCut:
    """The cut of an adapted detector with what is said of it; the parameters are those of `choose_cut`."""
    cut = choose_cut(before, old_cut, after)
    return OwnCut(old_cut, None) if cut is None else OwnCut(cut, describe_cut(before, old_cut, after, cut))


def choose_cut(before: Sequence[Seen], old_cut: float, after: Sequence[Seen]) -> float | None:
    """The cut of the adapted detector; None where there is nothing to choose it on.

    Parameters
    ----------
    before, after : sequence of Seen
        The same pictures and tiles, by the detector before and by the adapted one.
    old_cut : float
        Of the detector before.
    """
    old, new = (free_response([one.matches for one in seen]) for seen in (before, after))
    if not new.n_objects or not len(new.thresholds):
        return None
    strict = new.cut_at(old.false_at(old_cut))
    wanted = new.cut_for(WANTED_RECALL)
    cut = strict if wanted is None else max(wanted, strict)
    kept = new.cut_for(old.recall_from(old_cut))
    cut = cut if kept is None else min(cut, kept)
    # Down, so that the candidate that the cut was chosen by stays above it.
    steps = 10.0**_DECIMALS
    return math.floor(cut * steps) / steps


def describe_cut(before: Sequence[Seen], old_cut: float, after: Sequence[Seen], cut: float) -> dict[str, Any]:
    """What the record says of the cut: on what it was chosen, what it finds, what empty pictures show.

    `candidates_on_empty` counts pictures and tiles without objects: by the detector before at its own cut, by
    the adapted one at its own, and by the adapted one at the old cut.
    """
    curve = free_response([one.matches for one in after])
    old = free_response([one.matches for one in before])
    n_found = round(curve.recall_from(cut) * curve.n_objects)
    n_tiles = sum(one.is_tile for one in after)
    return {
        "score": cut,
        "recall": round(curve.recall_from(cut), 4),
        "interval": wilson_interval(n_found, curve.n_objects),
        "found": n_found,
        "of": curve.n_objects,
        "false_per_picture": round(curve.false_at(cut), 4),
        "wanted_recall": WANTED_RECALL,
        "before": {
            "score": old_cut,
            "recall": round(old.recall_from(old_cut), 4),
            "false_per_picture": round(old.false_at(old_cut), 4),
        },
        "chosen_on": f"{len(after) - n_tiles} held-out pictures and {n_tiles} drawn tiles",
        "candidates_on_empty": {
            "pictures_and_tiles": sum(one.is_object_free for one in after),
            "before": count_on_empty(before, old_cut),
            "after": count_on_empty(after, cut),
            "after_at_the_old_cut": count_on_empty(after, old_cut),
        },
    }


def count_on_empty(seen: Sequence[Seen] | Sequence[Judged], cut: float) -> int:
    """Candidates from `cut` up on pictures and tiles without objects."""
    return sum(
        int(((one.matches.scores >= cut) & (one.matches.verdicts == FALSE)).sum())
        for one in seen
        if one.is_object_free
    )


def to_lines(said: dict[str, Any]) -> list[str]:
    """The cut in words, for a person."""
    before, empty = said["before"], said["candidates_on_empty"]
    low, high = said["interval"]
    return [
        f"Default cut {said['score']:.4f} (before: {before['score']:.4f}), chosen on {said['chosen_on']}, "
        "none of them learnt: "
        f"finds {said['found']} of {said['of']}, {said['recall']:.2f} ({low:.2f}-{high:.2f}; before: "
        f"{before['recall']:.2f}), with {said['false_per_picture']:.2f} false candidates a picture or tile "
        f"(before: {before['false_per_picture']:.2f}).",
        f"Candidates above it on {empty['pictures_and_tiles']} pictures and tiles without objects: "
        f"{empty['before']} before, {empty['after']} now ({empty['after_at_the_old_cut']} at the old cut).",
    ]
