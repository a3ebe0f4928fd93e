"""Judge a detector on a labelled set, with every figure's interval, by what makes slides differ, and drawn.

    python -m training.judge --data SET --out DIR [--split judging] [--weights DIR] [--ignore-scale]

writes `figures.json` to DIR and the plots `recall.png` (recall against candidates for each coverslip and for
each mm²), `size.png` (lengths said against lengths marked), `counts.png` (candidates against objects of each
coverslip) and `scores.png` (scores against shares that hold), and prints the figures. Intervals are Wilson's,
and beside them those of drawing whole specimens anew (animals, where the set tells them apart), which hold
where objects of one specimen are alike.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.bootstrap import bootstrap_interval, draw_specimens, share_of_first, total_by_specimen
from training.coco_figures import coco_figures
from training.dataset import read_marked_pictures
from training.evaluate import Judged, judge_picture
from training.measured_agreement import concordance, limits_of_agreement
from training.metrics import FALSE, FOUND, calibration_error, free_response, wilson_interval
from training.reliability import summarise_reliability
from training.splits import SPLITS, take_split
from triage.detector import load_detector
from triage.errors import RecordError, TriageError

AP_DRAWS = 200
"""Average precision is worked out anew for each draw, so there are fewer of them."""
CURVE_POINTS = 200
SHARPNESS_EDGE = 0.4
"""Pictures below it are called blurred; an edge of the strata that a detector's record has."""

Floats = NDArray[np.float64]


def list_coverslips(judged: Sequence[Judged]) -> list[str]:
    """The coverslip of each picture; its specimen where the set tells no coverslips apart."""
    return [one.marked.coverslip or one.marked.specimen for one in judged]


def recall_by_coverslip(judged: Sequence[Judged]) -> dict[str, Any]:
    """Recall against all candidates and false ones, for each coverslip and each mm².

    Returns
    -------
    rows : dict of str to list
        `score`, `recall`, `candidates_per_coverslip`, `false_per_coverslip`, and per mm² where every
        picture's scale is known, from strict to lax, at most `CURVE_POINTS` of each.
    """
    curve = free_response([one.matches for one in judged])
    n_coverslips = len(set(list_coverslips(judged)))
    area_mm2 = sum(one.area_mm2 or math.nan for one in judged)
    n_false = curve.false_per_picture * curve.n_pictures
    n_found = curve.recall * curve.n_objects
    rows = {
        "score": curve.thresholds,
        "recall": curve.recall,
        "candidates_per_coverslip": (n_false + n_found) / max(n_coverslips, 1),
        "false_per_coverslip": n_false / max(n_coverslips, 1),
    }
    if math.isfinite(area_mm2) and area_mm2 > 0:
        rows |= {"candidates_per_mm2": (n_false + n_found) / area_mm2, "false_per_mm2": n_false / area_mm2}
    kept = np.unique(np.linspace(0, len(curve.thresholds) - 1, CURVE_POINTS).astype(int))
    kept = kept if len(curve.thresholds) else kept[:0]
    return {
        "coverslips": n_coverslips,
        "area_mm2": area_mm2 if math.isfinite(area_mm2) else None,
        **{name: [round(float(value), 6) for value in values[kept]] for name, values in rows.items()},
    }


def to_figures(judged: Sequence[Judged], *, cut: float) -> dict[str, Any]:
    """Every figure of judged pictures at the working point `cut`, as plain values.

    Parameters
    ----------
    judged : sequence of Judged
        At least one picture.
    cut : float
        Score from which a candidate is shown at first.
    """
    groups = [one.marked.kept_together for one in judged]
    return {
        "pictures": len(judged),
        "specimens": len(set(groups)),
        "cut": cut,
        "recall": _recall(judged, cut),
        "group_right": _group_right(judged, cut),
        "average_precision": _average_precision(judged, groups),
        "free_response": recall_by_coverslip(judged),
        "length": _length_agreement(judged, cut),
        "counts": _count_agreement(judged, cut),
        "calibration": _calibration(judged, groups),
        "by": {name: _by(judged, cut, key) for name, key in FACTORS.items()},
        "by_reader": _by_reader(judged, cut),
    }


def found_objects(one: Judged, cut: float) -> list[tuple[int, int]]:
    """Row of the candidate and number of the object, of all that were found from `cut` up."""
    rows = np.flatnonzero((one.matches.verdicts == FOUND) & (one.matches.scores >= cut))
    return [(int(row), int(one.matches.objects[row])) for row in rows]


def _recall(judged: Sequence[Judged], cut: float) -> dict[str, Any]:
    found = [len(found_objects(one, cut)) for one in judged]
    return _share(found, [one.matches.n_objects for one in judged], judged)


def _group_right(judged: Sequence[Judged], cut: float) -> dict[str, Any]:
    right = [
        sum(one.candidates[row].group == one.truth.groups[index] for row, index in found_objects(one, cut))
        for one in judged
    ]
    return _share(right, [len(found_objects(one, cut)) for one in judged], judged)


def _share(right: Sequence[int], of: Sequence[int], judged: Sequence[Judged]) -> dict[str, Any]:
    totals = total_by_specimen([one.marked.kept_together for one in judged], right, of)
    n, n_of = int(sum(right)), int(sum(of))
    return {
        "share": n / n_of if n_of else None,
        "n": n,
        "of": n_of,
        "wilson": wilson_interval(n, n_of),
        "by_specimen": bootstrap_interval(totals, share_of_first),
    }


def _average_precision(judged: Sequence[Judged], groups: Sequence[str]) -> dict[str, Any]:
    """COCO's figures, and the interval of AP by drawing specimens anew."""

    def take(rows: Sequence[int]) -> dict[str, float]:
        return coco_figures(
            [judged[row].truth for row in rows],
            [(judged[row].boxes_xyxy, judged[row].matches.scores) for row in rows],
        )

    names = sorted(set(groups))
    members = [[row for row, group in enumerate(groups) if group == name] for name in names]
    drawn = []
    if len(names) > 1:
        for times in draw_specimens(len(names), n_draws=AP_DRAWS):
            rows = [row for place in np.repeat(np.arange(len(names)), times) for row in members[place]]
            drawn.append(take(rows)["AP"])
    said = [value for value in drawn if value >= 0]
    ends = [float(end) for end in np.percentile(said, (2.5, 97.5))] if said else None
    return {**take(range(len(judged))), "AP_by_specimen": ends}


def _length_agreement(judged: Sequence[Judged], cut: float) -> dict[str, Any]:
    """Lengths said against lengths marked, in µm where the picture's scale is known."""
    pairs = []
    for one in judged:
        wanted = one.marked.list_wanted()
        for row, index in found_objects(one, cut):
            said, marked = one.candidates[row].ellipse, wanted[index].ellipse
            if said is not None and marked is not None and one.marked.um_per_px is not None:
                pairs.append((said.length_px * one.marked.um_per_px, marked[2] * one.marked.um_per_px))
    if len(pairs) < 2:
        return {"n": len(pairs), "unit": "µm"}
    said_um, marked_um = np.array(pairs).T
    limits = limits_of_agreement(said_um, marked_um)
    return {
        "n": limits.n,
        "unit": "µm",
        "bias": limits.bias,
        "bias_se": limits.bias_se,
        "limits": (limits.low, limits.high),
        "limit_se": limits.limit_se,
        "pairs": [[round(float(value), 2) for value in pair] for pair in pairs],
    }


def _count_agreement(judged: Sequence[Judged], cut: float) -> dict[str, Any]:
    """Candidates above the cut against objects, on each coverslip."""
    shown = [int(((one.matches.verdicts >= FALSE) & (one.matches.scores >= cut)).sum()) for one in judged]
    totals = total_by_specimen(list_coverslips(judged), shown, [one.matches.n_objects for one in judged])
    if len(totals) < 2:
        return {"coverslips": len(totals)}
    limits = limits_of_agreement(totals[:, 0], totals[:, 1])
    return {
        "coverslips": len(totals),
        "concordance": concordance(totals[:, 0], totals[:, 1]),
        "bias": limits.bias,
        "limits": (limits.low, limits.high),
        "pairs": [[int(value) for value in pair] for pair in totals],
    }


def _calibration(judged: Sequence[Judged], groups: Sequence[str]) -> dict[str, Any]:
    kept = [one.matches.verdicts >= FALSE for one in judged]
    scores = np.concatenate(
        [np.zeros(0), *(one.matches.scores[rows] for one, rows in zip(judged, kept, strict=True))]
    )
    right = np.concatenate(
        [
            np.zeros(0, bool),
            *(one.matches.verdicts[rows] == FOUND for one, rows in zip(judged, kept, strict=True)),
        ]
    )
    return summarise_reliability(calibration_error(scores, right))


FACTORS: dict[str, Callable[[Judged], str | None]] = {
    "microscope": lambda one: one.marked.microscope,
    "solution": lambda one: one.marked.solution,
    "focus": lambda one: _name_focus(one.measured.get("sharpness")),
}
"""What slides differ by; a picture of which it isn't known is left out there."""


def _name_focus(sharpness: float | None) -> str | None:
    if sharpness is None:
        return None
    return "blurred" if sharpness < SHARPNESS_EDGE else "sharp"


def _by(judged: Sequence[Judged], cut: float, key: Callable[[Judged], str | None]) -> dict[str, Any]:
    kinds = sorted({kind for one in judged if (kind := key(one)) is not None})
    rows = {kind: [one for one in judged if key(one) == kind] for kind in kinds}
    return {
        kind: {
            "pictures": len(some),
            "recall": _recall(some, cut),
            "group_right": _group_right(some, cut),
            "false_per_picture": sum(_count_false(one, cut) for one in some) / len(some),
        }
        for kind, some in rows.items()
    }


def _count_false(one: Judged, cut: float) -> int:
    return int(((one.matches.verdicts == FALSE) & (one.matches.scores >= cut)).sum())


def _by_reader(judged: Sequence[Judged], cut: float) -> dict[str, Any]:
    """Recall of the objects that each reader confirmed."""
    found = [{index for _, index in found_objects(one, cut)} for one in judged]
    wanted = [one.marked.list_wanted() for one in judged]
    readers = sorted({reader for some in wanted for each in some for reader in each.readers})
    answer = {}
    for reader in readers:
        theirs = [[n for n, each in enumerate(some) if reader in each.readers] for some in wanted]
        n_found = [len(numbers & {*some}) for numbers, some in zip(found, theirs, strict=True)]
        answer[reader] = _share(n_found, [len(some) for some in theirs], judged)
    return answer


def to_text(name: str, figures: dict[str, Any]) -> str:
    """The figures in lines for a person."""
    length, counts, coco = figures["length"], figures["counts"], figures["average_precision"]
    lines = [
        f"{name}: {figures['pictures']} pictures, {figures['specimens']} specimens, cut {figures['cut']:.3f}",
        f"  recall {_tell(figures['recall'])}",
        f"  group right {_tell(figures['group_right'])}",
        f"  COCO AP {coco['AP']:.3f}{_ends(coco['AP_by_specimen'])}, AP50 {coco['AP50']:.3f}",
        f"  calibration error {figures['calibration']['error']:.3f}",
    ]
    if "bias" in length:
        low, high = length["limits"]
        lines.append(
            f"  length said less marked: {length['bias']:+.2f} µm, 95 % between {low:+.2f} and {high:+.2f} "
            f"({length['n']} objects)"
        )
    if counts.get("concordance") is not None:
        lines.append(
            f"  candidates against objects of {counts['coverslips']} coverslips: "
            f"concordance {counts['concordance']:.3f}, bias {counts['bias']:+.2f}"
        )
    for factor, rows in figures["by"].items():
        lines += [f"  {factor} {kind}: recall {_tell(row['recall'])}" for kind, row in rows.items()]
    lines += [f"  marked by {name}: recall {_tell(row)}" for name, row in figures["by_reader"].items()]
    return "\n".join(lines)


def _tell(row: dict[str, Any]) -> str:
    if row["share"] is None:
        return "unknown: there is nothing to find"
    low, high = row["wilson"]
    drawn = _ends(row["by_specimen"], "; by specimen ")
    return f"{row['share']:.3f} ({row['n']} of {row['of']}, {low:.3f}-{high:.3f}{drawn})"


def _ends(interval: Sequence[float] | None, before: str = ", by specimen ") -> str:
    return "" if interval is None else f"{before}{interval[0]:.3f}-{interval[1]:.3f}"


def judge_folder(
    data: Path, weights: Path | None, *, split: str | None, is_scale_used: bool
) -> tuple[str, list[Judged], float]:
    """Name of a detector, what it made of each picture, and its cut.

    Raises
    ------
    RecordError
        If there is no picture to judge.
    TriageError
        If the set or the weights can't be read.
    """
    pictures = read_marked_pictures(data)
    if split is not None:
        pictures = take_split(pictures, split)
    if not pictures:
        raise RecordError(
            f"{data} holds no picture to judge{f' in {split}' if split else ''}. Name another split or set."
        )
    detector = load_detector(weights)
    judged = []
    for one in pictures:
        judged.append(judge_picture(one, detector, is_scale_used=is_scale_used))
        if sys.stderr.isatty():
            print(f"\r{len(judged)} of {len(pictures)} pictures judged", end="", file=sys.stderr, flush=True)
    return detector.name, judged, detector.record.default_cut


def main(arguments: list[str] | None = None) -> int:
    """Judge as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.judge", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--data", type=Path, required=True, help="labelled set, or COCO with images/")
    parser.add_argument("--out", type=Path, required=True, help="folder for figures and plots")
    parser.add_argument("--split", choices=SPLITS, help="judge one split of the set only")
    parser.add_argument("--weights", type=Path, help="folder of a detector (default: shipped)")
    parser.add_argument("--ignore-scale", action="store_true", help="propose as if no scale were known")
    options = parser.parse_args(arguments)
    try:
        name, judged, cut = judge_folder(
            options.data, options.weights, split=options.split, is_scale_used=not options.ignore_scale
        )
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    # Only the command needs the drawing.
    from training.judge_plots import draw_all

    figures = to_figures(judged, cut=cut)
    options.out.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"detector": name, "split": options.split, **figures}, indent=1, ensure_ascii=False)
    (options.out / "figures.json").write_text(text + "\n", encoding="utf-8")
    draw_all(options.out, figures)
    print(to_text(name, figures))
    return 0


if __name__ == "__main__":
    sys.exit(main())
