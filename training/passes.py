"""Ways of choosing at which scales one picture is looked at, and what each of them finds.

Every frame of a picture is looked at once, however many ways ask for it, so that trying several costs hardly
more than the dearest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from triage.calibration import state_calibration
from triage.head import SCORE_FLOOR
from triage.images import Picture
from triage.pipeline import ProposalPlan, conclude_proposal, detect_batch, plan_frames, plan_proposal
from triage.records import Candidate, Detections, Detector
from triage.score_calibration import UNCALIBRATED

AS_SERVED = "as served"
MOST_ENLARGEMENT = 2.0

Hw = tuple[int, int]
ChooseFactors = Callable[[float, float], list[float]]
"""From µm per pixel of the picture and of the detector to factors by which the picture is resampled."""


@dataclass(frozen=True)
class Looked:
    """What one way of looking proposes for a picture.

    Attributes
    ----------
    candidates : tuple of Candidate
        Ranked, with the network's own scores.
    n_tiles : int
        What it costs.
    """

    candidates: tuple[Candidate, ...]
    n_tiles: int


def _working(um_per_px: float, own: float) -> list[float]:
    return [um_per_px / own]


def _coarse_too(um_per_px: float, own: float) -> list[float]:
    return [um_per_px / own, um_per_px / own / 2]


def _finer_always(um_per_px: float, own: float) -> list[float]:
    return [2 * um_per_px / own, *_coarse_too(um_per_px, own)]


WAYS: Mapping[str, ChooseFactors] = {
    "working scale alone": _working,
    "and twice as coarse": _coarse_too,
    "and finer always": _finer_always,
}
"""Ways that the served one is compared with, where the scale is known."""


def look_each_way(
    picture: Picture,
    um_per_px: float | None,
    detector: Detector,
    ways: Mapping[str, ChooseFactors],
    seen: dict[Hw, list[Detections]],
) -> dict[str, Looked]:
    """What the served way finds in a picture, and each of `ways`; only the former without a scale.

    Parameters
    ----------
    picture : Picture
    um_per_px : float or None
        Its scale; None leaves it unknown.
    detector : Detector
    ways : mapping of str to callable
    seen : dict
        What was found in each frame of this picture so far; more is added.
    """
    calibration = None if um_per_px is None else state_calibration(um_per_px, None, source="resampled")
    served = _raw(plan_proposal(picture, calibration, detector))
    plans = {AS_SERVED: served}
    if um_per_px is not None:
        for name, choose in ways.items():
            factors = [min(MOST_ENLARGEMENT, one) for one in choose(um_per_px, detector.um_per_px)]
            plans[name] = _replan(served, [_frame(picture, one) for one in factors], detector.tile_px)
    looked: dict[str, Looked] = {}
    for name, plan in plans.items():
        for frame_hw in plan.frames_hw:
            if frame_hw not in seen:
                alone = _replan(plan, [frame_hw], detector.tile_px)
                seen[frame_hw] = [
                    detect_batch(picture, alone, index, detector) for index in range(alone.n_batches)
                ]
        found = [one for frame_hw in plan.frames_hw for one in seen[frame_hw]]
        same = next((other for other in looked if plans[other].frames_hw == plan.frames_hw), None)
        looked[name] = (
            looked[same]
            if same
            else Looked(conclude_proposal(picture, plan, found).candidates, len(plan.tiles))
        )
    return looked


def _raw(plan: ProposalPlan) -> ProposalPlan:
    """The plan with the network's own scores, all of them listed, so that the cut can be chosen later."""
    # A third of the cut is listed.
    detector = {**plan.detector, "default_cut": 3 * SCORE_FLOOR}
    return replace(plan, detector=detector, score_calibration=UNCALIBRATED)


def _replan(plan: ProposalPlan, frames_hw: list[Hw], tile_px: int) -> ProposalPlan:
    frames_hw = list(dict.fromkeys(frames_hw))
    tiles = plan_frames(frames_hw, tile_px)
    return replace(plan, frames_hw=tuple(frames_hw), tiles=tiles, tile_px=tile_px)


def _frame(picture: Picture, factor: float) -> Hw:
    return max(1, round(picture.height * factor)), max(1, round(picture.width * factor))
