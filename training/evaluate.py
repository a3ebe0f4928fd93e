"""Judge a detector on marked pictures, through the same proposal that a reader gets.

    python -m training.evaluate --data FOLDER [--weights DIR ...] [--ignore-scale] [--out FILE] [--sheet PNG]

FOLDER holds `annotations.json` and `images/`. Prints recall at 0.1, 0.5, 1 and 2 false positives per picture
with 95 % Wilson intervals, how many found objects have the right group, how many candidates stand above the
default cut on pictures without objects, what was missed, and the false alarms with the highest scores.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
from collections.abc import Sequence
from dataclasses import dataclass
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
    wilson_interval,
)
from training.splits import SPLITS, take_split
from triage.calibration import Calibration, state_calibration
from triage.detector import Detector, load_detector
from triage.errors import RecordError, TriageError
from triage.images import open_picture
from triage.pipeline import propose_candidates
from triage.records import Candidate

LISTED_AT = 0.5
"""Misses and group figures are quoted at the cut that allows this many false positives per picture."""
N_LISTED = 20


@dataclass(frozen=True)
class Judged:
    """One picture with what was proposed for it."""

    marked: MarkedPicture
    truth: PictureTruth
    candidates: tuple[Candidate, ...]
    matches: Matches

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
    return Judged(marked, truth, proposal.candidates, matches)


def _calibration_of(marked: MarkedPicture) -> Calibration | None:
    if marked.um_per_px is None:
        return None
    return state_calibration(marked.um_per_px, None, source="marked set")


def _boxes_of(candidates: Sequence[Candidate]) -> NDArray[np.float64]:
    boxes = np.array([candidate.bbox_xywh for candidate in candidates], dtype=np.float64).reshape(-1, 4)
    boxes[:, 2:] += boxes[:, :2]
    return boxes


def summarise(judged: Sequence[Judged], *, default_cut: float) -> dict[str, Any]:
    """Every figure of a judged set, as plain values for JSON.

    Parameters
    ----------
    judged : sequence of Judged
        At least one picture.
    default_cut : float
        Score from which a candidate is shown at first.
    """
    curve = free_response([one.matches for one in judged])
    cut = _cut_at(curve, LISTED_AT)
    objects = [(one, index) for one in judged for index in range(one.matches.n_objects)]
    found = [row for row in (_finder_of(one, index, cut) for one, index in objects) if row is not None]
    n_right = sum(candidate.group == group for candidate, group in found)
    return {
        "pictures": len(judged),
        "objects": curve.n_objects,
        "recall": {f"{rate:g}": _share(curve.recall_at(rate), curve.n_objects) for rate in QUOTED_RATES},
        "group_right": {"right": n_right, "of": len(found), "interval": wilson_interval(n_right, len(found))},
        "object_free": _count_object_free(judged, default_cut),
        "default_cut": {
            "score": default_cut,
            "recall": curve.recall_from(default_cut),
            "false_per_picture": curve.false_at(default_cut),
        },
        "coco": coco_figures(
            [one.truth for one in judged], [(one.boxes_xyxy, one.matches.scores) for one in judged]
        ),
        "misses": [_describe_miss(one, index) for one, index in objects if not _finder_of(one, index, cut)],
        "false_alarms": list_false_alarms(judged),
    }


def _cut_at(curve: Curve, false_per_picture: float) -> float:
    """Lowest threshold that allows this many false positives a picture."""
    allowed = curve.thresholds[curve.false_per_picture <= false_per_picture + 1e-12]
    return float(allowed.min(initial=1.0))


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
    return {"pictures": len(free), "candidates": n_above, "per_picture": n_above / max(len(free), 1)}


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
    lines = [
        f"{name}: {summary['pictures']} pictures, {summary['objects']} objects",
        *(
            f"  recall at {rate} false positives per picture: {_with_interval(row)}"
            for rate, row in summary["recall"].items()
        ),
        f"  group right: {right['right']} of {right['of']} found at {LISTED_AT:g} "
        f"({right['interval'][0]:.2f}-{right['interval'][1]:.2f})",
        f"  above the default cut {cut['score']:.3f}: recall {cut['recall']:.3f}, "
        f"{cut['false_per_picture']:.2f} false per picture; "
        f"{free['candidates']} candidates on {free['pictures']} pictures without objects",
        f"  COCO AP {summary['coco']['AP']:.3f}, AP50 {summary['coco']['AP50']:.3f}",
        *(f"  missed: {miss['file']} {miss['group']} score {miss['score']}" for miss in summary["misses"]),
        *(
            f"  false alarm: {alarm['file']} {alarm['score']:.3f} as {alarm['group']}"
            for alarm in summary["false_alarms"]
        ),
    ]
    return "\n".join(lines)


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
