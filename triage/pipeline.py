"""From a picture to ranked, measured candidates: plan, detect batch by batch, conclude."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from triage.adequacy import assess_adequacy
from triage.boxes import to_xywh
from triage.calibration import Calibration, measure_um, state_calibration
from triage.errors import RecordError
from triage.group_prior import weigh_group_scores
from triage.groups import candidate_groups, look_alikes, read_groups
from triage.images import Picture
from triage.looks import combine_looks
from triage.merge import join_detections, merge_detections, take_detections
from triage.optics import Objective
from triage.outline import Outline, find_outline
from triage.proposal import CAUTION
from triage.rank import rank_candidates
from triage.reasons import explain_candidate
from triage.records import Candidate, Detections, Detector, Ellipse, Proposal
from triage.score_calibration import UNCALIBRATED, ScoreCalibration, read_score_calibration
from triage.size_check import MeasuredSize, check_size
from triage.stored_detections import detections_from_json, detections_to_json
from triage.tiles import Tile, cut_tile, plan_tiles, to_picture_frame

__all__ = [
    "ProposalPlan",
    "conclude_proposal",
    "detect_batch",
    "detections_from_json",
    "detections_to_json",
    "plan_proposal",
    "propose_candidates",
]

# Neighbouring tiles share this much, so that objects up to this size lie whole in one of them.
OVERLAP_PX = 96
# One step of durable work: a few seconds on one processor core.
BATCH_TILES = 32
# Enlarging further adds pixels but no detail.
_MOST_ENLARGEMENT = 2.0
# With a scale: passes this many times finer than the detector's own, in pictures of this many pixels then.
_FINE_STEPS = (4.0, 2.0)
_FINE_PASS_PIXELS = 24_000_000
# Without a scale: at most this many halvings, the first enlarged where the picture is no larger than this.
_UNSCALED_STEPS = 4
_ENLARGED_BELOW_PX = 1000
_SMALLEST_STEP_PX = 96
# How far the network's own ellipse may be off, as a share of the size; wider where the object is cut off
# (our estimate for drawn objects, no source).
_GUESS_RELATIVE_SD = 0.08
_CUT_OFF_RELATIVE_SD = 0.25
_EDGE_MARGIN_PX = 1.5
# Candidates are listed down to this share of the default cut (our choice, no source).
_LISTED_SHARE_OF_CUT = 1 / 3


@dataclass(frozen=True)
class ProposalPlan:
    """What will be looked at, and how; the same for the same picture, calibration and weights.

    Attributes
    ----------
    calibration : Calibration or None
        None where neither the caller nor the file states a scale.
    frames_hw : tuple of (int, int)
        Rows and columns of the picture at each scale it is looked at.
    tiles : tuple of Tile
        Of all scales, in order.
    detector : dict
        Name, weights, scale and default cut of the detector.
    host : str or None
        `dog` or `cat` narrows the published sizes.
    objective : Objective or None
        What the picture was taken with.
    score_calibration : ScoreCalibration
        What makes the detector's scores shares that hold, with a scale or without.
    """

    calibration: Calibration | None
    frames_hw: tuple[tuple[int, int], ...]
    tiles: tuple[Tile, ...]
    detector: dict[str, float | str]
    host: str | None = None
    objective: Objective | None = None
    score_calibration: ScoreCalibration = UNCALIBRATED

    @property
    def n_batches(self) -> int:
        """Number of batches for `detect_batch`."""
        return math.ceil(len(self.tiles) / BATCH_TILES)


def propose_candidates(
    picture: Picture,
    calibration: Calibration | None,
    detector: Detector,
    *,
    host: str | None = None,
    objective: Objective | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Proposal:
    """Every candidate of a picture, ranked, measured and explained.

    Parameters
    ----------
    picture : Picture
    calibration : Calibration or None
        None: the scale that the file itself states, or none at all; sizes are then unknown.
    detector : Detector
    host : str, optional
        `dog` or `cat` narrows the published sizes.
    objective : Objective, optional
        What the picture was taken with; says what it can show.
    on_progress : callable, optional
        Called after each batch with the number of batches done and of all.

    Returns
    -------
    proposal : Proposal
        Same picture, calibration and weights: the same candidates in the same order.
    """
    plan = plan_proposal(picture, calibration, detector, host=host, objective=objective)
    detections = []
    for batch_index in range(plan.n_batches):
        detections.append(detect_batch(picture, plan, batch_index, detector))
        if on_progress is not None:
            on_progress(batch_index + 1, plan.n_batches)
    return conclude_proposal(picture, plan, detections)


def plan_proposal(
    picture: Picture,
    calibration: Calibration | None,
    detector: Detector,
    *,
    host: str | None = None,
    objective: Objective | None = None,
) -> ProposalPlan:
    """At which scales the picture is looked at, and in which tiles.

    Raises
    ------
    RecordError
        If `host` is none of `dog`, `cat` and `other`.
    """
    if host not in (None, "dog", "cat", "other"):
        raise RecordError(
            f"The host is {host!r}; it must be 'dog', 'cat' or 'other'. Leave it out if unknown."
        )
    if calibration is None and picture.um_per_px is not None:
        calibration = state_calibration(picture.um_per_px, None, source="file metadata")
    factors = (
        _plan_unscaled(picture)
        if calibration is None
        else _plan_scaled(picture, calibration.um_per_px, detector)
    )
    frames_hw = tuple(
        (max(1, round(picture.height * factor)), max(1, round(picture.width * factor))) for factor in factors
    )
    overlap_px = min(OVERLAP_PX, detector.tile_px // 2)
    tiles = [tile for frame_hw in frames_hw for tile in plan_tiles(frame_hw, detector.tile_px, overlap_px)]
    return ProposalPlan(
        calibration,
        frames_hw,
        tuple(tiles),
        _describe_detector(detector),
        host=host,
        objective=objective,
        score_calibration=read_score_calibration(
            getattr(detector.record, "score_calibration", {}), is_scale_known=calibration is not None
        ),
    )


def detect_batch(picture: Picture, plan: ProposalPlan, batch_index: int, detector: Detector) -> Detections:
    """What the detector says of one batch of tiles, in pixels of the picture; repeating it is harmless."""
    tiles = plan.tiles[batch_index * BATCH_TILES : (batch_index + 1) * BATCH_TILES]
    pixels = np.stack([cut_tile(picture, tile, detector.tile_px) for tile in tiles])
    picture_hw = (picture.height, picture.width)
    parts = [
        _with_factor(to_picture_frame(found, tile, picture_hw), tile.frame_hw[1] / picture.width)
        for found, tile in zip(detector.detect(pixels), tiles, strict=True)
    ]
    return join_detections(parts, len(read_groups()))


def _with_factor(found: Detections, factor: float) -> Detections:
    return replace(found, factors=np.full(len(found.scores), factor))


def conclude_proposal(picture: Picture, plan: ProposalPlan, detections: Sequence[Detections]) -> Proposal:
    """The proposal from what all batches found, whatever order they come in."""
    seen = join_detections(list(detections), len(read_groups()))
    joined = merge_detections(seen)
    if plan.calibration is None:
        # With a scale the size says more: there the looks in agreement did not help (measured).
        joined = combine_looks(joined, seen, has_plain_look=_has_plain_look(picture, plan))
    # Merging asks for the network's own scores; from here on they are shares that hold.
    honest = replace(joined, scores=plan.score_calibration.calibrate_scores(joined.scores))
    merged = _keep_listed(honest, float(plan.detector["default_cut"]))
    candidates = [_describe_candidate(picture, plan, merged, row) for row in range(len(merged.scores))]
    um_per_px = plan.calibration.um_per_px if plan.calibration else None
    finest = um_per_px * picture.width / max(hw[1] for hw in plan.frames_hw) if um_per_px else None
    return Proposal(
        file_name=picture.file_name,
        sha256=picture.sha256,
        width=picture.width,
        height=picture.height,
        calibration=asdict(plan.calibration) if plan.calibration else None,
        detector=plan.detector,
        adequacy=assess_adequacy(picture, um_per_px, finest, objective=plan.objective),
        candidates=rank_candidates(candidates),
        caution=CAUTION,
    )


def _has_plain_look(picture: Picture, plan: ProposalPlan) -> bool:
    return any(columns <= picture.width for _, columns in plan.frames_hw)


def _keep_listed(merged: Detections, default_cut: float) -> Detections:
    """Those worth measuring: candidates far below the cut are noise by the hundred, and cost time each."""
    return take_detections(merged, np.flatnonzero(merged.scores >= _LISTED_SHARE_OF_CUT * default_cut))


def _plan_scaled(picture: Picture, um_per_px: float, detector: Detector) -> list[float]:
    """The detector's scale, one twice as coarse, and finer ones where a small picture resolves more.

    Large objects are met better in the coarse pass, which costs a quarter; the fine ones cost four times as
    much and more, so that only pictures at high magnification get them, which show little glass.
    """
    fine = [
        detector.um_per_px / step
        for step in _FINE_STEPS
        if um_per_px < 1.5 * detector.um_per_px / step
        and picture.width * picture.height * (um_per_px * step / detector.um_per_px) ** 2 <= _FINE_PASS_PIXELS
    ]
    scales = [*fine, detector.um_per_px, 2 * detector.um_per_px]
    # Coarse pictures are enlarged no further at the first scales, which then are one.
    return list(dict.fromkeys(min(_MOST_ENLARGEMENT, um_per_px / scale) for scale in scales))


def _plan_unscaled(picture: Picture) -> list[float]:
    """Up to four factors, each half the last."""
    long_side = max(picture.width, picture.height)
    first = 2.0 if long_side <= _ENLARGED_BELOW_PX else 1.0
    factors = [first / 2**step for step in range(_UNSCALED_STEPS)]
    return [factor for factor in factors if factor == first or long_side * factor >= _SMALLEST_STEP_PX]


def _describe_detector(detector: Detector) -> dict[str, float | str]:
    return {
        "name": detector.name,
        "weights_sha256": detector.weights_sha256,
        "um_per_px": detector.um_per_px,
        "default_cut": detector.record.default_cut,
    }


def _describe_candidate(picture: Picture, plan: ProposalPlan, merged: Detections, row: int) -> Candidate:
    guess = _limit_guess(Ellipse(*(float(value) for value in merged.ellipses[row])), merged.boxes_xyxy[row])
    is_cut_off = _is_cut_off(merged.boxes_xyxy[row], picture)
    outline = None if is_cut_off else find_outline(picture, guess)
    size = _measure(outline, guess, plan.calibration, is_cut_off=is_cut_off)
    weighed = weigh_group_scores(merged.group_scores[row], size, host=plan.host)
    shares = _share_by_group(plan.score_calibration.calibrate_groups(weighed))
    group = max(candidate_groups(), key=lambda name: shares[name])
    score = round(float(merged.scores[row]), 4)
    check = check_size(size, group, host=plan.host)
    ellipse = outline.ellipse if outline else None
    return Candidate(
        rank=0,
        bbox_xywh=to_xywh(merged.boxes_xyxy[row]),
        score=score,
        group=group,
        group_scores={name: shares[name] for name in candidate_groups()},
        look_alike_scores={name: shares[name] for name in look_alikes()},
        ellipse=ellipse,
        length_um=size.length_um if size else None,
        width_um=size.width_um if size else None,
        length_um_sd=size.length_um_sd if size else None,
        width_um_sd=size.width_um_sd if size else None,
        size_check=check,
        reasons=explain_candidate(
            group=group, shares=shares, ellipse=ellipse, size=size, size_check=check, is_cut_off=is_cut_off
        ),
        is_above_cut=score >= float(plan.detector["default_cut"]),
        is_cut_off=is_cut_off,
    )


def _limit_guess(guess: Ellipse, box_xyxy: NDArray[np.float64]) -> Ellipse:
    """The network's ellipse, held to the box it came with: no longer than its diagonal."""
    width, height = (float(side) for side in box_xyxy[2:] - box_xyxy[:2])
    length_px = min(max(guess.length_px, 1.0), math.hypot(width, height))
    width_px = min(max(guess.width_px, 1.0), length_px)
    return Ellipse(guess.cx, guess.cy, length_px, width_px, guess.angle_deg)


def _is_cut_off(box_xyxy: NDArray[np.float64], picture: Picture) -> bool:
    x1, y1, x2, y2 = box_xyxy
    return bool(
        min(x1, y1) <= _EDGE_MARGIN_PX
        or x2 >= picture.width - _EDGE_MARGIN_PX
        or y2 >= picture.height - _EDGE_MARGIN_PX
    )


def _measure(
    outline: Outline | None, guess: Ellipse, calibration: Calibration | None, *, is_cut_off: bool
) -> MeasuredSize | None:
    if calibration is None:
        return None
    share = _CUT_OFF_RELATIVE_SD if is_cut_off else _GUESS_RELATIVE_SD
    found = outline or Outline(guess, share * guess.length_px, share * guess.width_px)
    length_um, length_um_sd = measure_um(found.ellipse.length_px, found.length_px_sd, calibration)
    width_um, width_um_sd = measure_um(found.ellipse.width_px, found.width_px_sd, calibration)
    return MeasuredSize(length_um, width_um, length_um_sd, width_um_sd, is_of_part=is_cut_off)


def _share_by_group(shares: NDArray[np.float64]) -> dict[str, float]:
    return {group.name: float(share) for group, share in zip(read_groups(), shares, strict=True)}
