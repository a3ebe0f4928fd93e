"""From merged detections to candidates: sought outlines, measured sizes, weighed groups, reasons."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from triage.boxes import to_xywh
from triage.calibration import Calibration, measure_um
from triage.group_prior import weigh_group_scores
from triage.groups import candidate_groups, look_alikes, read_groups
from triage.images import Picture
from triage.outline import NoOutline, Outline, find_outlines
from triage.rank import SCORE_DECIMALS
from triage.reasons import explain_candidate
from triage.records import Candidate, Detections, Ellipse, OutlineSize, Ranked
from triage.score_calibration import ScoreCalibration
from triage.shell import ShellSize, measure_shells
from triage.size_check import MeasuredSize, check_size

# How far the network's own ellipse may be off, as a share of the size; wider where the object is cut off
# (our estimate for drawn objects, no source).
_GUESS_RELATIVE_SD = 0.08
_CUT_OFF_RELATIVE_SD = 0.25
_EDGE_MARGIN_PX = 1.5
# Below the cut outlines are sought for the best half as many again, and for at least so many (our choice):
# further down a reader seldom goes, and a dirty slide lists such places by the hundred.
_LEAST_SOUGHT_BELOW_CUT = 10
_CUT_OFF = NoOutline("The edge of the picture cuts it.")
_NOT_SOUGHT = NoOutline("It wasn't sought, since the candidate ranks far below the cut.")


@dataclass(frozen=True)
class Ask:
    """What the candidates of one picture are measured and judged by.

    Attributes
    ----------
    calibration : Calibration or None
    host : str or None
    default_cut : float
    score_calibration : ScoreCalibration
        Turns raw group scores into shares that hold.
    """

    calibration: Calibration | None
    host: str | None
    default_cut: float
    score_calibration: ScoreCalibration


def describe_candidates(picture: Picture, ranked: Ranked, ask: Ask) -> tuple[Candidate, ...]:
    """One candidate for each detection, with its rank.

    Parameters
    ----------
    picture : Picture
    ranked : Ranked
        In original pixels, one for each object, with scores that hold.
    ask : Ask

    Returns
    -------
    candidates : tuple of Candidate
        The same for each detection, whichever others it comes with.
    """
    merged = ranked.detections
    guesses = [
        _limit_guess(Ellipse(*(float(value) for value in ellipse)), box)
        for ellipse, box in zip(merged.ellipses, merged.boxes_xyxy, strict=True)
    ]
    outlines = _find_outlines(picture, ranked, guesses)
    shells = _measure_shells(merged, outlines)
    return tuple(
        replace(_describe(merged, row, guess, outline, shells.get(row), ask), rank=ranked.first_rank + row)
        for row, (guess, outline) in enumerate(zip(guesses, outlines, strict=True))
    )


def count_sought(scores: NDArray[np.float64], default_cut: float) -> int:
    """For how many of the best candidates an outline is sought, those that the picture cuts off aside."""
    n_above = int((np.round(scores, SCORE_DECIMALS) >= default_cut).sum())
    return n_above + max(_LEAST_SOUGHT_BELOW_CUT, n_above // 2)


def _find_outlines(picture: Picture, ranked: Ranked, guesses: list[Ellipse]) -> list[Outline | NoOutline]:
    boxes = ranked.detections.boxes_xyxy
    outlines: list[Outline | NoOutline] = [
        _CUT_OFF if _is_cut_off(box, picture) else _NOT_SOUGHT for box in boxes
    ]
    sought = [row for row in range(min(ranked.n_sought, len(boxes))) if outlines[row] is not _CUT_OFF]
    found = find_outlines(picture, [guesses[row] for row in sought])
    for row, outline in zip(sought, found, strict=True):
        outlines[row] = outline
    return outlines


def _measure_shells(merged: Detections, outlines: list[Outline | NoOutline]) -> dict[int, ShellSize]:
    """By row, of those that have an outline."""
    found = {row: outline for row, outline in enumerate(outlines) if isinstance(outline, Outline)}
    shares = [_share_by_group(merged.group_scores[row]) for row in found]
    return dict(zip(found, measure_shells(list(found.values()), shares), strict=True))


def _describe(
    merged: Detections,
    row: int,
    guess: Ellipse,
    outline: Outline | NoOutline,
    shell: ShellSize | None,
    ask: Ask,
) -> Candidate:
    is_cut_off = outline is _CUT_OFF
    size = _measure(shell, guess, ask.calibration, is_cut_off=is_cut_off)
    weighed = weigh_group_scores(merged.group_scores[row], size, host=ask.host)
    shares = _share_by_group(ask.score_calibration.calibrate_groups(weighed))
    group = max(candidate_groups(), key=lambda name: shares[name])
    score = round(float(merged.scores[row]), SCORE_DECIMALS)
    check = check_size(size, group, host=ask.host)
    ellipse = shell.ellipse if shell else None
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
        is_above_cut=score >= ask.default_cut,
        is_cut_off=is_cut_off,
        outline=_size_outline(shell, ask.calibration) if shell else None,
        outline_missing=outline.reason if isinstance(outline, NoOutline) else None,
    )


def _size_outline(shell: ShellSize, calibration: Calibration | None) -> OutlineSize:
    area: tuple[float | None, float | None] = (None, None)
    thickness: tuple[float | None, float | None] = (None, None)
    if calibration is not None:
        um_per_px = calibration.um_per_px
        scale_relative_sd = calibration.um_per_px_sd / um_per_px
        area_um2 = shell.area_px * um_per_px**2
        # The scale enters an area twice.
        area_relative_sd = math.hypot(shell.area_px_sd / shell.area_px, 2 * scale_relative_sd)
        area = (area_um2, area_um2 * area_relative_sd)
        if shell.shell_px is not None and shell.shell_px_sd is not None:
            thickness = measure_um(shell.shell_px, shell.shell_px_sd, calibration)
    return OutlineSize(
        aspect=shell.aspect,
        aspect_sd=shell.aspect_sd,
        ends_ratio=shell.ends_ratio,
        ends_ratio_sd=shell.ends_ratio_sd,
        area_um2=area[0],
        area_um2_sd=area[1],
        shell_um=thickness[0],
        shell_um_sd=thickness[1],
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
    shell: ShellSize | None, guess: Ellipse, calibration: Calibration | None, *, is_cut_off: bool
) -> MeasuredSize | None:
    if calibration is None:
        return None
    if shell is None:
        share = _CUT_OFF_RELATIVE_SD if is_cut_off else _GUESS_RELATIVE_SD
        ellipse, sds_px = guess, (share * guess.length_px, share * guess.width_px)
    else:
        ellipse, sds_px = shell.ellipse, (shell.length_px_sd, shell.width_px_sd)
    length_um, length_um_sd = measure_um(ellipse.length_px, sds_px[0], calibration)
    width_um, width_um_sd = measure_um(ellipse.width_px, sds_px[1], calibration)
    return MeasuredSize(length_um, width_um, length_um_sd, width_um_sd, is_of_part=is_cut_off)


def _share_by_group(shares: NDArray[np.float64]) -> dict[str, float]:
    return {group.name: float(share) for group, share in zip(read_groups(), shares, strict=True)}
