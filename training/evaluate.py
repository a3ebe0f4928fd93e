"""Judge a detector on marked pictures, through the same proposal that a reader gets.

    python -m training.evaluate --data FOLDER [--weights DIR ...] [--ignore-scale] [--out FILE] [--sheet PNG]

FOLDER holds `annotations.json` and `images/`. Prints recall at 0.1, 0.5, 1 and 2 false positives per picture
with 95 % Wilson intervals, false positives per picture and per mm² of slide at 95 % recall, how many found
objects have the right group, how many candidates stand above the default cut on pictures without objects,
what was missed, and the false alarms with the highest scores.

Objects cut by the picture's edge, those shorter than `triage.visibility.LEAST_LENGTH_PX`, which are not
proposed, and those that nobody could be asked to see (`visible` below
`training.synthesize.sight.LEAST_VISIBLE`) count neither way: neither found nor missed, and a candidate on
one is no false positive. The output says how many.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.coco_figures import coco_figures
from training.dataset import MarkedPicture, read_marked_pictures
from training.metrics import (
    FALSE,
    QUOTED_RATES,
    Curve,
    Matches,
    PictureTruth,
    free_response,
    match_candidates,
    poisson_interval,
    wilson_interval,
)
from training.splits import SPLITS, take_split
from training.synthesize.sight import LEAST_VISIBLE
from triage.boxes import from_xywh
from triage.calibration import Calibration, state_calibration
from triage.detector import Detector, load_detector
from triage.errors import RecordError, TriageError
from triage.groups import candidate_groups
from triage.images import open_picture
from triage.pipeline import propose_candidates
from triage.records import Candidate, Proposal
from triage.strata import to_measured
from triage.visibility import LEAST_LENGTH_PX

LISTED_AT = 0.5
"""Misses and group figures are quoted at the cut that allows this many false positives per picture."""
N_LISTED = 20
STATED_RECALL = 0.95
"""Recall at which false positives per picture and per mm² are quoted."""


@dataclass(frozen=True)
class Judged:
    """One picture with what was proposed for it.

    `area_mm2` is the slide that was assessed, None where the picture's own scale is unknown; `measured` what
    was measured of focus and light, by name.
    """

    marked: MarkedPicture
    truth: PictureTruth
    candidates: tuple[Candidate, ...]
    matches: Matches
    area_mm2: float | None = None
    measured: dict[str, float] = field(default_factory=dict)

    @property
    def boxes_xyxy(self) -> NDArray[np.float64]:
        """Boxes of the candidates, (N, 4)."""
        return _boxes_of(self.candidates)

    @property
    def is_object_free(self) -> bool:
        """Whether there is nothing to find, nor anything that counts neither way."""
        return len(self.truth.boxes_xyxy) == 0 and len(self.truth.ignored_xyxy) == 0


def judge_picture(marked: MarkedPicture, detector: Detector, *, is_scale_used: bool) -> Judged:
    """What the proposal finds in a marked picture.

    Raises
    ------
    ImageError
        If the picture can't be read.
    """
    with open_picture(marked.path) as picture:
        proposal = propose_candidates(picture, _calibration_of(marked) if is_scale_used else None, detector)
    truth = marked.to_truth()
    scores = np.array([candidate.score for candidate in proposal.candidates], dtype=np.float64)
    matches = match_candidates(_boxes_of(proposal.candidates), scores, truth)
    return Judged(
        marked,
        truth,
        proposal.candidates,
        matches,
        area_mm2=_assessed_mm2(marked, proposal),
        measured=to_measured(proposal.adequacy),
    )


def _assessed_mm2(marked: MarkedPicture, proposal: Proposal) -> float | None:
    if marked.um_per_px is None:
        return None
    pixels = proposal.width * proposal.height * proposal.adequacy.assessed_fraction
    return pixels * (marked.um_per_px / 1000) ** 2


def _calibration_of(marked: MarkedPicture) -> Calibration | None:
    if marked.um_per_px is None:
        return None
    return state_calibration(marked.um_per_px, None, source="marked set")


def _boxes_of(candidates: Sequence[Candidate]) -> NDArray[np.float64]:
    return from_xywh([candidate.bbox_xywh for candidate in candidates])


def summarise(
    judged: Sequence[Judged], *, default_cut: float, listed_from: float | None = None
) -> dict[str, Any]:
    """Every figure of a judged set, as plain values for JSON.

    Parameters
    ----------
    judged : sequence of Judged
        At least one picture.
    default_cut : float
        Score from which a candidate is shown at first.
    listed_from : float, optional
        Score from which an object counts as found among the misses and the group figures; that which allows
        `LISTED_AT` false positives a picture if left out.
    """
    curve = free_response([one.matches for one in judged])
    cut = curve.cut_at(LISTED_AT) if listed_from is None else listed_from
    objects = [(one, index) for one in judged for index in range(one.matches.n_objects)]
    found = [row for row in (_finder_of(one, index, cut) for one, index in objects) if row is not None]
    n_right = sum(candidate.group == group for candidate, group in found)
    return {
        "pictures": len(judged),
        "objects": curve.n_objects,
        "recall": {f"{rate:g}": _share(curve.recall_at(rate), curve.n_objects) for rate in QUOTED_RATES},
        "group_right": {"right": n_right, "of": len(found), "interval": wilson_interval(n_right, len(found))},
        "not_counted": _count_ignored(judged),
        "at_stated_recall": _count_false_at(judged, curve, STATED_RECALL),
        "object_free": _count_object_free(judged, default_cut),
        "default_cut": {
            "score": default_cut,
            "recall": curve.recall_from(default_cut),
            "interval": _share(curve.recall_from(default_cut), curve.n_objects)["interval"],
            "false_per_picture": curve.false_at(default_cut),
            "false_per_mm2": _per_mm2(judged, default_cut),
        },
        "coco": coco_figures(
            [one.truth for one in judged], [(one.boxes_xyxy, one.matches.scores) for one in judged]
        ),
        "misses": [_describe_miss(one, index) for one, index in objects if not _finder_of(one, index, cut)],
        "false_alarms": list_false_alarms(judged),
    }


def _share(share: float, n: int) -> dict[str, Any]:
    n_found = round(share * n)
    return {"share": share, "found": n_found, "of": n, "interval": wilson_interval(n_found, n)}


def _finder_of(one: Judged, index: int, cut: float) -> tuple[Candidate, str] | None:
    """The candidate above `cut` that found an object, and the object's group; None if it was missed."""
    rows = np.flatnonzero((one.matches.objects == index) & (one.matches.scores >= cut))
    return (one.candidates[rows[0]], one.truth.groups[index]) if len(rows) else None


def _count_object_free(judged: Sequence[Judged], default_cut: float) -> dict[str, Any]:
    free = [one for one in judged if one.is_object_free]
    n_above = sum(int((one.matches.scores >= default_cut).sum()) for one in free)
    return {
        "pictures": len(free),
        "candidates": n_above,
        "per_picture": n_above / max(len(free), 1),
        "interval": [end / max(len(free), 1) for end in poisson_interval(n_above)],
    }


def _count_ignored(judged: Sequence[Judged]) -> dict[str, int]:
    """How many objects count neither way, and why."""
    names = candidate_groups()
    wanted = [each for one in judged for each in one.marked.objects if each.group in names]
    n_cut_off = sum(each.is_truncated for each in wanted)
    n_too_short = sum(each.is_too_short for each in wanted)
    return {
        "cut_by_the_edge": n_cut_off,
        "too_short": n_too_short,
        "hardly_visible": sum(not each.is_to_be_found for each in wanted) - n_cut_off - n_too_short,
        "regions": sum(len(one.marked.ignored_xyxy) for one in judged),
    }


def _count_false_at(judged: Sequence[Judged], curve: Curve, recall: float) -> dict[str, Any]:
    """False positives at the highest score that reaches a recall; all None where none does."""
    score = curve.cut_for(recall)
    if score is None:
        return {"recall": recall, "score": None, "false": None, "per_picture": None, "per_mm2": None}
    n_false = sum(_count_false(one, score) for one in judged)
    return {
        "recall": recall,
        "score": score,
        "false": n_false,
        "per_picture": n_false / len(judged),
        "per_picture_interval": [end / len(judged) for end in poisson_interval(n_false)],
        "per_mm2": _per_mm2(judged, score),
    }


def _count_false(one: Judged, score: float) -> int:
    return int(((one.matches.verdicts == FALSE) & (one.matches.scores >= score)).sum())


def _per_mm2(judged: Sequence[Judged], score: float) -> dict[str, Any] | None:
    """False positives from a score on, over the slide assessed in pictures of known scale; None without."""
    scaled = [one for one in judged if one.area_mm2]
    area_mm2 = sum(one.area_mm2 or 0.0 for one in scaled)
    if area_mm2 == 0:
        return None
    n_false = sum(_count_false(one, score) for one in scaled)
    return {
        "rate": n_false / area_mm2,
        "interval": [end / area_mm2 for end in poisson_interval(n_false)],
        "false": n_false,
        "area_mm2": area_mm2,
        "pictures": len(scaled),
    }


def _describe_miss(one: Judged, index: int) -> dict[str, Any]:
    rows = np.flatnonzero(one.matches.objects == index)
    return {
        "file": one.marked.path.name,
        "group": one.truth.groups[index],
        "box_xyxy": [round(float(edge), 1) for edge in one.truth.boxes_xyxy[index]],
        "score": round(float(one.matches.scores[rows[0]]), 4) if len(rows) else None,
    }


def list_false_alarms(judged: Sequence[Judged], n: int = N_LISTED) -> list[dict[str, Any]]:
    """The false candidates with the highest scores, with file, box and the group they were taken for."""
    alarms = [
        {
            "file": one.marked.path.name,
            "score": candidate.score,
            "group": candidate.group,
            "box_xyxy": [round(float(edge), 1) for edge in box],
        }
        for one in judged
        for candidate, box, verdict in zip(one.candidates, one.boxes_xyxy, one.matches.verdicts, strict=True)
        if verdict == FALSE
    ]
    return sorted(alarms, key=lambda alarm: -float(str(alarm["score"])))[:n]


def to_text(name: str, summary: dict[str, Any]) -> str:
    """The summary in lines for a person."""
    right = summary["group_right"]
    free = summary["object_free"]
    cut = summary["default_cut"]
    ignored = summary["not_counted"]
    lines = [
        f"{name}: {summary['pictures']} pictures, {summary['objects']} objects",
        *(
            f"  recall at {rate} false positives per picture: {_with_interval(row)}"
            for rate, row in summary["recall"].items()
        ),
        f"  group right: {right['right']} of {right['of']} found at {LISTED_AT:g} "
        f"({right['interval'][0]:.2f}-{right['interval'][1]:.2f})",
        _false_to_text(summary["at_stated_recall"]),
        f"  above the default cut {cut['score']:.3f}: recall {cut['recall']:.3f} "
        f"({cut['interval'][0]:.2f}-{cut['interval'][1]:.2f}), "
        f"{cut['false_per_picture']:.2f} false per picture{_area_to_text(cut['false_per_mm2'])}; "
        f"{free['candidates']} candidates on {free['pictures']} pictures without objects "
        f"({free['per_picture']:.2f} each, {free['interval'][0]:.2f}-{free['interval'][1]:.2f})",
        f"  counted neither way: {ignored['hardly_visible']} objects that can hardly be seen "
        f"(visible below {LEAST_VISIBLE:g}), {ignored['too_short']} shorter than {LEAST_LENGTH_PX:g} px, "
        f"{ignored['cut_by_the_edge']} cut by the edge, "
        f"{ignored['regions']} marked regions",
        f"  COCO AP {summary['coco']['AP']:.3f}, AP50 {summary['coco']['AP50']:.3f}",
        *(f"  missed: {miss['file']} {miss['group']} score {miss['score']}" for miss in summary["misses"]),
        *(
            f"  false alarm: {alarm['file']} {alarm['score']:.3f} as {alarm['group']}"
            for alarm in summary["false_alarms"]
        ),
    ]
    return "\n".join(lines)


def _false_to_text(row: dict[str, Any]) -> str:
    if row["score"] is None:
        return f"  {row['recall']:.2f} recall is not reached at any score"
    low, high = row["per_picture_interval"]
    return (
        f"  at {row['recall']:.2f} recall (score {row['score']:.3f}): "
        f"{row['per_picture']:.2f} false per picture ({low:.2f}-{high:.2f}){_area_to_text(row['per_mm2'])}"
    )


def _area_to_text(row: dict[str, Any] | None) -> str:
    if row is None:
        return ""
    low, high = row["interval"]
    return f", {row['rate']:.2f} per mm² ({low:.2f}-{high:.2f}, {row['area_mm2']:.2f} mm²)"


def _with_interval(row: dict[str, Any]) -> str:
    low, high = row["interval"]
    return f"{row['share']:.3f} ({row['found']} of {row['of']}, {low:.2f}-{high:.2f})"


def average_recall(summaries: Sequence[dict[str, Any]]) -> dict[str, float]:
    """Mean recall at each quoted rate over several detectors, for instance of several seeds."""
    rates = summaries[0]["recall"]
    return {rate: statistics.fmean(one["recall"][rate]["share"] for one in summaries) for rate in rates}


def evaluate_folder(
    data: Path,
    weights: Path | None,
    *,
    is_scale_used: bool,
    split: str | None = None,
    sheet: Path | None = None,
) -> tuple[str, dict[str, Any]]:
    """Name and summary of one detector on one folder; optionally draws the sheet of misses and alarms.

    Raises
    ------
    TriageError
        If the folder, a picture or the weights can't be read.
    """
    detector = load_detector(weights)
    judged = []
    pictures = read_marked_pictures(data)
    if split is not None:
        pictures = take_split(pictures, split)
    if not pictures:
        raise RecordError(
            f"{data} holds no picture to judge{f' in {split}' if split else ''}. Name another set."
        )
    for marked in pictures:
        judged.append(judge_picture(marked, detector, is_scale_used=is_scale_used))
        if sys.stderr.isatty():
            print(f"\r{len(judged)} pictures judged", end="", file=sys.stderr, flush=True)
    summary = summarise(judged, default_cut=detector.record.default_cut)
    if sheet is not None:
        # Only a sheet needs the drawing.
        from training.sheet import write_sheet

        write_sheet(sheet, summary["misses"], summary["false_alarms"], data / "images")
    return detector.name, {"detector": detector.name, "weights_sha256": detector.weights_sha256, **summary}


def main(arguments: list[str] | None = None) -> int:
    """Judge as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.evaluate", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--data", type=Path, required=True, help="folder with annotations.json and images/")
    parser.add_argument(
        "--weights",
        type=Path,
        nargs="+",
        help="weights folders, for instance of several seeds (default: shipped)",
    )
    parser.add_argument("--split", choices=SPLITS, help="judge one side of the set only")
    parser.add_argument("--ignore-scale", action="store_true", help="propose as if no scale were known")
    parser.add_argument("--out", type=Path, help="write every figure as JSON")
    parser.add_argument("--sheet", type=Path, help="write a PNG of misses and false alarms")
    options = parser.parse_args(arguments)
    summaries = []
    try:
        for folder in options.weights or [None]:
            name, summary = evaluate_folder(
                options.data,
                folder,
                is_scale_used=not options.ignore_scale,
                split=options.split,
                sheet=options.sheet,
            )
            print(to_text(name if folder is None else f"{name} ({folder})", summary))
            summaries.append(summary)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    mean_recall = average_recall(summaries)
    if len(summaries) > 1:
        print(
            "mean recall:",
            ", ".join(f"{share:.3f} at {rate}" for rate, share in mean_recall.items()),
        )
    if options.out is not None:
        result = {"detectors": summaries, "mean_recall": mean_recall}
        options.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
