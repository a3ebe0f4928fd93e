"""Judge a detector on marked sets, choose its default cut, and write both into its record.

    python -m training.record_scores --weights DIR --cut-from "drawn fields=DIR" [--recall 0.9]
        [--judge "NAME=DIR" ...]

The default cut is the highest score that still finds the stated share of the objects of the first set,
through the same proposal that a reader gets.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from training.dataset import read_marked_pictures
from training.evaluate import Judged, judge_picture, summarise
from training.metrics import free_response
from triage.detector import Detector, load_detector
from triage.errors import RecordError, TriageError
from triage.weights import WeightsRecord, read_record, write_record

KEPT_FIGURES = ("pictures", "objects", "recall", "group_right", "object_free", "default_cut", "coco")


def record_scores(
    folder: Path, cut_set: tuple[str, Path], judge_sets: Sequence[tuple[str, Path]], *, recall: float
) -> WeightsRecord:
    """Judge, choose the cut, and write the record again; the weights stay as they are.

    Parameters
    ----------
    folder : Path
        Weights with their graph.
    cut_set : (str, Path)
        Name and folder of the set that the cut is chosen on; judged as well.
    judge_sets : sequence of (str, Path)
        Further sets.
    recall : float
        Share of the objects of `cut_set` that must stand above the cut.

    Returns
    -------
    record : WeightsRecord
        As written.

    Raises
    ------
    RecordError
        If the detector never reaches `recall` on `cut_set`.
    TriageError
        If a set, a picture or the weights can't be read.
    """
    detector = load_detector(folder)
    judged = {name: judge_set(path, detector) for name, path in (cut_set, *judge_sets)}
    curve = free_response([one.matches for one in judged[cut_set[0]]])
    cut = curve.cut_for(recall)
    if cut is None:
        raise RecordError(
            f"The detector finds less than {recall:g} of the objects of {cut_set[0]!r} at any score. "
            "State a lower --recall or train it longer."
        )
    record = read_record(folder)
    scores = {
        **record.scores,
        "default_cut": {"score": cut, "recall": recall, "chosen_on": cut_set[0]},
        "judged": {name: keep_figures(set_judged, cut) for name, set_judged in judged.items()},
    }
    return write_record(folder, dataclasses.replace(record, default_cut=cut, scores=scores))


def judge_set(data: Path, detector: Detector) -> list[Judged]:
    """Every picture of a folder judged, at its own scale where it has one."""
    return [judge_picture(marked, detector, is_scale_used=True) for marked in read_marked_pictures(data)]


def keep_figures(judged: Sequence[Judged], default_cut: float) -> dict[str, Any]:
    """The figures of a judged set that a record holds: no file names."""
    summary = summarise(judged, default_cut=default_cut)
    return {name: summary[name] for name in KEPT_FIGURES}


def parse_set(text: str) -> tuple[str, Path]:
    """Name and folder out of `NAME=DIR`."""
    name, _, folder = text.partition("=")
    if not name or not folder:
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form NAME=DIR")
    return name, Path(folder)


def main(arguments: Sequence[str] | None = None) -> int:
    """Judge and record as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.record_scores", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--weights", type=Path, required=True, help="folder that training.export completed")
    parser.add_argument("--cut-from", type=parse_set, required=True, help="NAME=DIR to choose the cut on")
    parser.add_argument("--judge", type=parse_set, nargs="*", default=[], help="further NAME=DIR to judge")
    parser.add_argument("--recall", type=float, default=0.9, help="share that stands above the cut")
    options = parser.parse_args(arguments)
    try:
        record = record_scores(options.weights, options.cut_from, options.judge, recall=options.recall)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    print(json.dumps(record.scores["default_cut"]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
