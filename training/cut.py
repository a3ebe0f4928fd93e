"""Judges a network on held-out drawn tiles and chooses the score below which candidates are put aside."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray

from training.engine import code_scales
from training.metrics import (
    FOUND,
    QUOTED_RATES,
    Curve,
    Matches,
    PictureTruth,
    calibration_error,
    free_response,
    match_candidates,
    wilson_interval,
)
from training.targets import Batch, Target, list_scales
from triage.groups import candidate_groups, read_groups
from triage.head import SCORE_FLOOR, HeadLayout, decode_head
from triage.network import CentrePointNetwork
from triage.records import Detections

WHOLE_FRACTION = 0.8
"""Of an object that is to be found; less visible ones count neither way."""
STATED_RECALL = 0.95


@dataclass(frozen=True)
class TileJudgement:
    """What a network found in held-out tiles.

    Attributes
    ----------
    curve : Curve
        Recall against false positives per tile.
    n_found, n_group_right : int
        Objects found above the lowest score, and those whose best group is theirs.
    calibration_error : float
        Expected calibration error of the scores.
    default_cut : float
        Highest score that still finds `STATED_RECALL` of the objects, or the lowest score there is.
    """

    curve: Curve
    n_found: int
    n_group_right: int
    calibration_error: float
    default_cut: float

    def to_scores(self) -> dict[str, object]:
        """The figures under the names that the record uses."""
        curve = self.curve
        recall = {
            f"recall_at_{rate:g}": _with_interval(curve.recall_at(rate), curve.n_objects)
            for rate in QUOTED_RATES
        }
        return {
            "drawn_tiles": curve.n_pictures,
            "drawn_objects": curve.n_objects,
            **recall,
            "group_right": _with_interval(self.n_group_right / max(self.n_found, 1), self.n_found),
            "calibration_error": round(self.calibration_error, 4),
            "default_cut": round(self.default_cut, 4),
            "default_cut_recall": STATED_RECALL,
            "default_cut_false_per_tile": round(curve.false_at(self.default_cut), 4),
        }


def _with_interval(share: float, n: int) -> list[float]:
    """Share, and the ends of its 95 % Wilson interval."""
    return [round(value, 4) for value in (share, *wilson_interval(round(share * n), n))]


def judge_tiles(
    network: CentrePointNetwork, batches: Iterable[Batch], *, n_candidate_groups: int
) -> TileJudgement:
    """What `network` finds in batches that it wasn't trained on.

    Parameters
    ----------
    network : CentrePointNetwork
        In any mode; it is judged in evaluation mode.
    batches : iterable of (tiles, targets)
        As for training.
    n_candidate_groups : int
        Labels at or above it are look-alikes, and candidates there are false.
    """
    matches: list[Matches] = []
    n_right = 0
    for tiles, targets in batches:
        found = detect_tiles(network, tiles, list_scales(targets))
        for detections, target in zip(found, targets, strict=True):
            truth = to_truth(target, n_candidate_groups)
            match = match_candidates(detections.boxes_xyxy, detections.scores, truth)
            n_right += count_group_right(detections, match, truth)
            matches.append(match)
    return _conclude(matches, n_right)


def _conclude(matches: Sequence[Matches], n_group_right: int) -> TileJudgement:
    curve = free_response(matches)
    scores = np.concatenate([one.scores[one.verdicts >= 0] for one in matches])
    is_right = np.concatenate([one.verdicts[one.verdicts >= 0] == FOUND for one in matches])
    return TileJudgement(
        curve=curve,
        n_found=int(is_right.sum()),
        n_group_right=n_group_right,
        calibration_error=calibration_error(scores, is_right).error,
        default_cut=curve.cut_for(STATED_RECALL) or SCORE_FLOOR,
    )


@torch.no_grad()
def detect_tiles(
    network: CentrePointNetwork, tiles: torch.Tensor, um_per_px: Sequence[float | None]
) -> list[Detections]:
    """The detections of each of the tiles (N, 3, S, S), whose pixel sizes are given in µm or as None."""
    network.eval()
    device = next(network.parameters()).device
    heads = network(tiles.to(device), code_scales(um_per_px, device))
    layout = HeadLayout(network.layout.n_groups)
    return [decode_head(head, layout) for head in heads.cpu().numpy()]


def to_truth(target: Target, n_candidate_groups: int) -> PictureTruth:
    """The objects of a target that are to be found, and those that count neither way."""
    names = [group.name for group in read_groups()]
    is_candidate = target["labels"] < n_candidate_groups
    whole = target.get("visible", torch.ones(len(is_candidate))) >= WHOLE_FRACTION
    boxes = target["boxes"].double().numpy()
    return PictureTruth.of(
        boxes[(is_candidate & whole).numpy()],
        [names[label] for label in target["labels"][is_candidate & whole].tolist()],
        boxes[(is_candidate & ~whole).numpy()],
    )


def count_group_right(detections: Detections, match: Matches, truth: PictureTruth) -> int:
    """How many of the found objects have their own group as the best of the candidate groups."""
    return int(mark_group_right(detections, match, truth)[match.verdicts == FOUND].sum())


def mark_group_right(detections: Detections, match: Matches, truth: PictureTruth) -> NDArray[np.bool_]:
    """Of each detection, whether its best candidate group is that of the object it belongs to."""
    names = candidate_groups()
    best = detections.group_scores[:, : len(names)].argmax(axis=1)
    pairs = zip(best, match.objects, strict=True)
    right = [index >= 0 and names[group] == truth.groups[index] for group, index in pairs]
    return np.array(right, dtype=bool)
