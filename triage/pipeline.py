"""From a picture to ranked, measured candidates: plan, detect batch by batch, merge, measure, conclude."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from itertools import chain
from typing import Any

import numpy as np

from triage.adequacy import assess_adequacy
from triage.calibration import Calibration, state_calibration
from triage.describe import Ask, count_sought, describe_candidates
from triage.errors import RecordError
from triage.groups import read_groups
from triage.images import Picture
from triage.looking import Looker
from triage.looks import combine_looks, pool_groups
from triage.measurers import Measurers, share_measuring
from triage.merge import join_detections, merge_detections, take_detections
from triage.optics import Objective
from triage.proposal import CAUTION
from triage.rank import rank_rows
from triage.records import Adequacy, Candidate, CodedNote, Detections, Detector, Proposal, Ranked
from triage.score_calibration import UNCALIBRATED, ScoreCalibration, read_score_calibration
from triage.stored_detections import detections_from_json, detections_to_json
from triage.strata import warn_of_weak_groups
from triage.tiles import BATCH_TILES, Tile, halve_hw, plan_halved, plan_tiles
from triage.visibility import LEAST_LENGTH_PX

__all__ = [
    "ProposalPlan",
    "begin_looking",
    "conclude_measured",
    "conclude_proposal",
    "detect_batch",
    "detections_from_json",
    "detections_to_json",
    "measure_part",
    "merge_batches",
    "part_ranked",
    "plan_frames",
    "plan_proposal",
    "propose_candidates",
]

# Neighbouring tiles share this much, so that objects up to this size lie whole in one of them.
OVERLAP_PX = 96
# One step of durable work, about as long as one of `BATCH_TILES` where each outline is sought.
PART_CANDIDATES = 256
# So many are measured by one thread at a time.
_PIECE_CANDIDATES = 32
# Processes take pieces of a part, so many each, so that none waits long for the last; but of no fewer
# candidates than these, which cost more one by one.
_PIECES_A_PROCESS = 4
_LEAST_PIECE = 8
# Enlarging further adds pixels but no detail.
_MOST_ENLARGEMENT = 2.0
# With a scale: passes this many times finer than the detector's own, in pictures of this many pixels then.
_FINE_STEPS = (4.0, 2.0)
_FINE_PASS_PIXELS = 24_000_000
# Larger pictures, of about twice the detector's pixel size, are looked at as they are alone: enlarged too, as
# smaller ones are, they take five times as long. What that costs was measured (`training/runs.md`).
_ONE_PASS_PIXELS = 100_000_000
_ONE_PASS_COARSER = (1.5, 2.2)
_ONE_PASS_REMARK = CodedNote(
    "one_pass",
    "A picture this large is looked at in its own scale alone: objects below 25 µm are found less often "
    "than in smaller pictures of the same scale. Upload single fields where such small ones matter.",
)
# Without a scale: at most this many halvings, the first enlarged where the picture is no larger than this.
_UNSCALED_STEPS = 4
_ENLARGED_BELOW_PX = 1000
_SMALLEST_STEP_PX = 96
# Candidates are listed down to this share of the default cut (our choice, no source) ...
_LISTED_SHARE_OF_CUT = 1 / 3
# ... and where that leaves fewer than so many, the next best ones, down to this share.
_LEAST_LISTED = 12
_LEAST_SHARE_OF_CUT = 1 / 8
# The box of an object that lies askew is shorter than the object, down to 0.8 for one like a cyst.
_SHARE_OF_LEAST_LENGTH = 0.8


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
    tile_px : int
        Side of the tiles.
    detector : dict
        Name, weights, scale and default cut of the detector.
    host : str or None
        `dog` or `cat` narrows the published sizes.
    objective : Objective or None
        What the picture was taken with.
    score_calibration : ScoreCalibration
        What makes the detector's scores shares that hold, with a scale or without.
    judged : mapping
        What the detector's record says of how often it finds what.
    remarks : tuple of CodedNote
        What a person should know of how it is looked at.
    """

    calibration: Calibration | None
    frames_hw: tuple[tuple[int, int], ...]
    tiles: tuple[Tile, ...]
    tile_px: int
    detector: dict[str, float | str]
    host: str | None = None
    objective: Objective | None = None
    score_calibration: ScoreCalibration = UNCALIBRATED
    judged: Mapping[str, Any] = field(default_factory=dict)
    remarks: tuple[CodedNote, ...] = ()

    @property
    def um_per_px(self) -> float | None:
        """Pixel size of the picture, in µm, where it is known."""
        return self.calibration.um_per_px if self.calibration else None

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
    threads = getattr(detector, "threads", 1)
    detections = []
    # Started here, they are ready when they are needed.
    with share_measuring(picture, threads) as measurers:
        with begin_looking(picture, plan, detector) as looker:
            for batch_index in range(plan.n_batches):
                detections.append(looker.look(batch_index))
                if on_progress is not None:
                    on_progress(batch_index + 1, plan.n_batches)
        return conclude_proposal(picture, plan, detections, threads=threads, measurers=measurers)


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
        else [1.0]
        if _takes_one_pass(picture, calibration, detector)
        else _plan_scaled(picture, calibration.um_per_px, detector)
    )
    frames_hw = tuple(
        (max(1, round(picture.height * factor)), max(1, round(picture.width * factor))) for factor in factors
    )
    tile_px = _choose_tile_px(picture, detector, len(factors))
    halves_last = _halves_last(picture, factors)
    if halves_last:
        frames_hw = (*frames_hw[:-1], halve_hw(frames_hw[-2]))
    return ProposalPlan(
        calibration,
        frames_hw,
        plan_frames(frames_hw, tile_px, halves_last=halves_last),
        tile_px,
        _describe_detector(detector),
        host=host,
        objective=objective,
        score_calibration=read_score_calibration(
            getattr(detector.record, "score_calibration", {}), is_scale_known=calibration is not None
        ),
        judged=getattr(detector.record, "scores", {}),
        remarks=(_ONE_PASS_REMARK,) if _takes_one_pass(picture, calibration, detector) else (),
    )


def plan_frames(
    frames_hw: Sequence[tuple[int, int]], tile_px: int, *, halves_last: bool = False
) -> tuple[Tile, ...]:
    """The tiles of a picture resampled to each of these sizes, the last made of the one before if asked."""
    overlap_px = min(OVERLAP_PX, tile_px // 2)
    alone = frames_hw[:-2] if halves_last else frames_hw
    tiles = tuple(tile for frame_hw in alone for tile in plan_tiles(frame_hw, tile_px, overlap_px))
    return (*tiles, *plan_halved(frames_hw[-2], tile_px, overlap_px)) if halves_last else tiles


def begin_looking(picture: Picture, plan: ProposalPlan, detector: Detector) -> Looker:
    """What looks at one batch after the other, the next tiles under way; to be closed by whoever asks."""
    return Looker(picture, plan.tiles, plan.tile_px, detector, um_per_px=plan.um_per_px)


def detect_batch(picture: Picture, plan: ProposalPlan, batch_index: int, detector: Detector) -> Detections:
    """What the detector says of one batch of tiles, in pixels of the picture; repeating it is harmless."""
    tiles = plan.tiles[batch_index * BATCH_TILES : (batch_index + 1) * BATCH_TILES]
    with Looker(picture, tiles, plan.tile_px, detector, um_per_px=plan.um_per_px) as looker:
        return looker.look(0)


def merge_batches(picture: Picture, plan: ProposalPlan, detections: Sequence[Detections]) -> Detections:
    """What all batches found, one row for each object worth listing, in the order of rank.

    Parameters
    ----------
    picture : Picture
        None of its pixels are read.
    plan : ProposalPlan
    detections : sequence of Detections
        Of all batches, in any order.

    Returns
    -------
    merged : Detections
        With scores that hold.
    """
    seen = join_detections(list(detections), len(read_groups()))
    # Whoever keeps no other hold of them needs no memory for them from here on.
    del detections
    joined = merge_detections(seen)
    if plan.calibration is None:
        joined = combine_looks(joined, seen, has_plain_look=_has_plain_look(picture, plan))
    # Merging asks for the network's own scores; from here on they are shares that hold.
    honest = replace(joined, scores=plan.score_calibration.calibrate_scores(joined.scores))
    listed = _keep_listed(honest, float(plan.detector["default_cut"]))
    if plan.calibration is not None and len(plan.frames_hw) > 1:
        # The score is the best look's: with a scale none is enlarged for want of knowing better.
        listed = pool_groups(listed, seen)
    return take_detections(listed, rank_rows(listed))


def part_ranked(plan: ProposalPlan, merged: Detections) -> list[Ranked]:
    """Parts of what `merge_batches` returned, each for one call of `measure_part`; the best come first."""
    n_sought = count_sought(merged.scores, float(plan.detector["default_cut"]))
    return _cut_ranked(Ranked(merged, 1, n_sought), PART_CANDIDATES)


def _cut_ranked(ranked: Ranked, size: int) -> list[Ranked]:
    """Pieces of so many, in order."""
    rows = np.arange(len(ranked.detections.scores), dtype=np.int64)
    return [
        Ranked(
            take_detections(ranked.detections, rows[start : start + size]),
            ranked.first_rank + start,
            max(0, ranked.n_sought - start),
        )
        for start in range(0, len(rows), size)
    ]


def measure_part(
    picture: Picture,
    plan: ProposalPlan,
    part: Ranked,
    *,
    threads: int = 1,
    measurers: Measurers | None = None,
) -> tuple[Candidate, ...]:
    """The measured candidates of one part, with their ranks, whoever measures; repeating is harmless."""
    ask = Ask(plan.calibration, plan.host, float(plan.detector["default_cut"]), plan.score_calibration)
    if measurers is not None:
        n_pieces = _PIECES_A_PROCESS * measurers.n
        size = max(_LEAST_PIECE, math.ceil(len(part.detections.scores) / n_pieces))
        return measurers.describe(_cut_ranked(part, size), ask)
    if threads == 1:
        return describe_candidates(picture, part, ask)
    pieces = _cut_ranked(part, _PIECE_CANDIDATES)
    with ThreadPoolExecutor(threads, thread_name_prefix="pieces") as pool:
        described = pool.map(lambda piece: describe_candidates(picture, piece, ask), pieces)
        return tuple(chain.from_iterable(described))


def conclude_measured(
    picture: Picture, plan: ProposalPlan, candidates: Sequence[Candidate], *, threads: int = 1
) -> Proposal:
    """The proposal with these candidates, and what the picture can show."""
    return _conclude(picture, plan, candidates, _assess(picture, plan, threads))


def _assess(picture: Picture, plan: ProposalPlan, threads: int) -> Adequacy:
    um_per_px = plan.um_per_px
    finest = um_per_px * picture.width / max(hw[1] for hw in plan.frames_hw) if um_per_px else None
    return assess_adequacy(picture, um_per_px, finest, objective=plan.objective, threads=threads)


def _conclude(
    picture: Picture, plan: ProposalPlan, candidates: Sequence[Candidate], adequacy: Adequacy
) -> Proposal:
    warnings = warn_of_weak_groups(plan.judged, adequacy)
    return Proposal(
        file_name=picture.file_name,
        sha256=picture.sha256,
        width=picture.width,
        height=picture.height,
        calibration=asdict(plan.calibration) if plan.calibration else None,
        detector=plan.detector,
        adequacy=replace(adequacy, coded_notes=(*adequacy.coded_notes, *plan.remarks, *warnings)),
        candidates=tuple(candidates),
        caution=CAUTION,
    )


def conclude_proposal(
    picture: Picture,
    plan: ProposalPlan,
    detections: Sequence[Detections],
    *,
    threads: int = 1,
    measurers: Measurers | None = None,
) -> Proposal:
    """The proposal from what all batches found, whatever order they come in."""
    with ThreadPoolExecutor(1, thread_name_prefix="adequacy") as pool:
        # Merging and the measuring of few candidates keep one core busy.
        assessing = pool.submit(_assess, picture, plan, threads) if threads > 1 else None
        merged = merge_batches(picture, plan, detections)
        measured = [
            one
            for part in part_ranked(plan, merged)
            for one in measure_part(picture, plan, part, threads=threads, measurers=measurers)
        ]
        adequacy = assessing.result() if assessing else _assess(picture, plan, threads)
    return _conclude(picture, plan, measured, adequacy)


def _has_plain_look(picture: Picture, plan: ProposalPlan) -> bool:
    return any(columns <= picture.width for _, columns in plan.frames_hw)


def _keep_listed(merged: Detections, default_cut: float) -> Detections:
    """Those worth measuring: not far below the cut, noise by the hundred that costs time each; not too short.

    A speck of a few pixels shows nothing that could tell it from an egg or a cyst. Where little stands out, a
    few of the next best are listed too: a faint object may be the best of a picture and yet score low.
    """
    sides = merged.boxes_xyxy[:, 2:] - merged.boxes_xyxy[:, :2]
    is_long = sides.max(axis=1, initial=0.0) >= _SHARE_OF_LEAST_LENGTH * LEAST_LENGTH_PX
    long = take_detections(merged, np.flatnonzero(is_long))
    best = np.argsort(-long.scores, kind="stable")
    share = np.where(np.arange(len(best)) < _LEAST_LISTED, _LEAST_SHARE_OF_CUT, _LISTED_SHARE_OF_CUT)
    listed = best[long.scores[best] >= share * default_cut]
    return take_detections(long, np.sort(listed))


def _choose_tile_px(picture: Picture, detector: Detector, n_scales: int) -> int:
    """Large pictures are looked at in larger tiles, which share less area with their neighbours.

    What lies in two tiles has two chances to be found, which counts most where there is one scale alone.
    """
    if picture.width * picture.height <= _ONE_PASS_PIXELS:
        return detector.tile_px
    side_px: int = getattr(detector, "large_tile_px", detector.tile_px)
    return side_px if n_scales == 1 else getattr(detector, "largest_tile_px", side_px)


def _halves_last(picture: Picture, factors: Sequence[float]) -> bool:
    """Whether the coarsest look at a large picture is made of what the look before it has read.

    Small pictures lie in memory, where reducing them well costs little.
    """
    if picture.width * picture.height <= _ONE_PASS_PIXELS or len(factors) < 2:
        return False
    return factors[-2] <= 1 and math.isclose(factors[-1], factors[-2] / 2)


def _takes_one_pass(picture: Picture, calibration: Calibration | None, detector: Detector) -> bool:
    if calibration is None or picture.width * picture.height <= _ONE_PASS_PIXELS:
        return False
    finest, coarsest = _ONE_PASS_COARSER
    return finest <= calibration.um_per_px / detector.um_per_px <= coarsest


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
