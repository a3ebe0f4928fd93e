"""Calibrate a detector's scores, choose its default cut, judge it, and write all of it into its record.

    python -m training.record_scores --weights DIR [--calibrate-on NAME=DIR ...] [--check-on NAME=DIR ...]
        --cut-from NAME=DIR [--recall 0.9] [--judge NAME=DIR ...]
    python -m training.record_scores --weights DIR --recalibrate DIR

First the maps from raw scores to shares that hold are fitted on the sets of `--calibrate-on`, with their
scale and without. Then every other set is judged through the same proposal that a reader gets; those of
`--check-on` with their scale and without, and on them is measured how well the scores hold. The default cut
is the highest score that still finds the stated share of the objects of the set of `--cut-from`. Recall by
stratum is taken over the drawn sets, those of `--cut-from` and `--check-on`. Beside the record appear
`reliability.png` and, of drawn pictures alone, `failures.png`.

`--recalibrate` fits the maps again on a labelled set of your own, keeps the network and which candidates
stand above the cut, and prints how well the scores held before and after.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
from collections.abc import Sequence
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from training.calibrate import (
    CheckedScores,
    check_scores,
    fit_calibration,
    measure_local_gain,
    refit_calibration,
)
from training.dataset import MarkedPicture, read_marked_pictures
from training.evaluate import Judged, judge_picture, list_false_alarms, summarise
from training.metrics import CalibrationError, free_response
from training.reliability import draw_reliability
from training.sheet import write_sheet
from training.strata import list_objects, strata_to_text, tabulate
from training.synthesize.processes import open_processes
from triage.detector import Detector, load_detector
from triage.errors import RecordError, TriageError
from triage.score_calibration import KNOWN_SCALE, UNKNOWN_SCALE
from triage.weights import RECORD_FILE, WeightsRecord, read_record, write_record

KEPT_FIGURES = (
    "pictures",
    "objects",
    "not_counted",
    "recall",
    "at_stated_recall",
    "group_right",
    "object_free",
    "default_cut",
    "coco",
)
RELIABILITY_FILE = "reliability.png"
FAILURES_FILE = "failures.png"
_N_SHOWN = 15
_LISTING_CUT = 0.12
"""Default cut while sets are judged: far below any that is chosen, so that the curve goes on beyond it."""

NamedFolder = tuple[str, Path]


def record_scores(
    folder: Path,
    cut_set: NamedFolder,
    judge_sets: Sequence[NamedFolder],
    *,
    recall: float,
    check_sets: Sequence[NamedFolder] = (),
    workers: int = 1,
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
    check_sets : sequence of (str, Path)
        Further drawn sets, judged with their scale and without; on them scores are checked.
    workers : int
        Processes that judge.

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
    judge = Judge(folder, workers=workers)
    drawn = {name: judge.judge(path) for name, path in (cut_set, *check_sets)}
    unscaled = {f"{name}, scale unknown": judge.judge(path, is_scale_used=False) for name, path in check_sets}
    others = {name: judge.judge(path) for name, path in judge_sets}
    curve = free_response([one.matches for one in drawn[cut_set[0]]])
    cut = curve.cut_for(recall)
    if cut is None:
        raise RecordError(
            f"The detector finds less than {recall:g} of the objects of {cut_set[0]!r} at any score. "
            "State a lower --recall or train it longer."
        )
    checked = _check_all([drawn[name] for name, _ in check_sets], list(unscaled.values()), cut)
    scores = {
        **read_record(folder).scores,
        "default_cut": {"score": cut, "recall": recall, "chosen_on": cut_set[0]},
        "judged": {
            name: keep_figures(set_judged, cut)
            for name, set_judged in {**drawn, **unscaled, **others}.items()
        },
        "strata": {
            "default_cut": cut,
            "sets": list(drawn),
            "rows": tabulate(list_objects([one for judged in drawn.values() for one in judged], cut)),
        },
    }
    if checked:
        scores["reliability"] = {way: one.to_figures() for way, one in checked.items()}
        draw_reliability(folder / RELIABILITY_FILE, _name_panels(checked))
    _draw_failures(folder / FAILURES_FILE, dict((cut_set, *check_sets)), drawn, cut)
    return write_record(folder, dataclasses.replace(read_record(folder), default_cut=cut, scores=scores))


@dataclasses.dataclass(frozen=True)
class Judge:
    """A detector that judges sets, under its own calibration or none.

    Attributes
    ----------
    folder : Path
        Weights with their graph.
    is_calibrated : bool
        Whether the record's score calibration is applied.
    workers : int
        Processes, each with a detector on one CPU thread; with 1, this process with the detector that
        `triage.detector.load_detector` chooses.
    """

    folder: Path
    is_calibrated: bool = True
    workers: int = 1

    def judge(self, data: Path, *, is_scale_used: bool = True) -> list[Judged]:
        """Every picture of a folder judged, at its own scale where it has one and that is wanted."""
        pictures = read_marked_pictures(data)
        ways = (self.folder, self.is_calibrated, "auto" if self.workers == 1 else "cpu", is_scale_used)
        judge_one = partial(_judge_one, *ways)
        if self.workers == 1:
            return [judge_one(marked) for marked in pictures]
        with open_processes(self.workers) as pool:
            return list(pool.map(judge_one, pictures))


def _judge_one(
    folder: Path, is_calibrated: bool, device: str, is_scale_used: bool, marked: MarkedPicture
) -> Judged:
    return judge_picture(marked, _load(folder, is_calibrated, device), is_scale_used=is_scale_used)


@lru_cache(maxsize=1)
def _load_once(folder: Path, written: bytes, is_calibrated: bool, device: str) -> Detector:
    """The detector, listing far below any cut; `written` is its record, so that none is stale."""
    detector = load_detector(folder, device=device)
    changes: dict[str, Any] = {} if is_calibrated else {"score_calibration": {}}
    detector.record = dataclasses.replace(detector.record, default_cut=_LISTING_CUT, **changes)
    return detector


def _load(folder: Path, is_calibrated: bool, device: str) -> Detector:
    record = folder / RECORD_FILE
    written = record.read_bytes() if record.is_file() else b""
    return _load_once(folder, written, is_calibrated, device)


def _check_all(
    scaled: Sequence[list[Judged]], unscaled: Sequence[list[Judged]], cut: float
) -> dict[str, CheckedScores]:
    """How well scores hold with a scale and without; empty where there is nothing to check on."""
    ways = {KNOWN_SCALE: scaled, UNKNOWN_SCALE: unscaled}
    return {
        way: check_scores([one for judged in sets for one in judged], cut)
        for way, sets in ways.items()
        if sets
    }


def _name_panels(checked: dict[str, CheckedScores]) -> dict[str, CalibrationError]:
    words = {KNOWN_SCALE: "scale known", UNKNOWN_SCALE: "scale unknown"}
    return {
        f"{what}, {words[way]}": curve
        for way, one in checked.items()
        for what, curve in (("is an object", one.scores), ("group is right", one.groups))
    }


def _draw_failures(path: Path, folders: dict[str, Path], drawn: dict[str, list[Judged]], cut: float) -> None:
    """A sheet of the drawn objects missed at the cut and of the worst false alarms, of every set some."""
    misses: list[dict[str, Any]] = []
    alarms: list[dict[str, Any]] = []
    for name, judged in drawn.items():
        images = (folders[name] / "images").resolve()
        found = summarise(judged, default_cut=cut, listed_from=cut)["misses"][: _N_SHOWN // len(drawn)]
        worst = [row for row in list_false_alarms(judged) if row["score"] >= cut][: _N_SHOWN // len(drawn)]
        misses += [{**row, "file": str(images / row["file"])} for row in found]
        alarms += [{**row, "file": str(images / row["file"])} for row in worst]
    write_sheet(path, misses, alarms, Path())


def keep_figures(judged: Sequence[Judged], default_cut: float) -> dict[str, Any]:
    """The figures of a judged set that a record holds: no file names."""
    summary = summarise(judged, default_cut=default_cut)
    return {name: summary[name] for name in KEPT_FIGURES}


def calibrate(folder: Path, sets: Sequence[NamedFolder], *, workers: int = 1) -> WeightsRecord:
    """Fit the maps of scores and groups, with a scale and without, and write them into the record.

    Parameters
    ----------
    folder : Path
        Weights with their graph.
    sets : sequence of (str, Path)
        Pictures of known scale that the detector was not trained on, and that nothing is judged on.

    Raises
    ------
    TriageError
        If a set can't be read or holds too few candidates, true or false.
    """
    judge = Judge(folder, is_calibrated=False, workers=workers)
    fitted = {
        way: fit_calibration([one for _, path in sets for one in judge.judge(path, is_scale_used=is_used)])
        for way, is_used in ((KNOWN_SCALE, True), (UNKNOWN_SCALE, False))
    }
    values = {**fitted, "fitted_on": [name for name, _ in sets]}
    return write_record(folder, dataclasses.replace(read_record(folder), score_calibration=values))


def recalibrate(folder: Path, data: Path, *, workers: int = 1) -> tuple[WeightsRecord, dict[str, Any]]:
    """Fit the maps again on a labelled set; the same candidates stay above the cut.

    Parameters
    ----------
    folder : Path
        Weights with their graph; a copy, if the shipped ones are to stay.
    data : Path
        A labelled set whose pictures were marked to the end.

    Returns
    -------
    record : WeightsRecord
        As written.
    errors : dict
        Calibration errors before and after, the latter on pictures left out of the fit.

    Raises
    ------
    TriageError
        If the set can't be read or holds too few candidates, true or false.
    """
    record = read_record(folder)
    judged = Judge(folder, is_calibrated=False, workers=workers).judge(data)
    values, cut = refit_calibration(record, judged, name=f"labelled set of {len(judged)} pictures")
    errors = measure_local_gain(record, judged)
    written = write_record(folder, dataclasses.replace(record, score_calibration=values, default_cut=cut))
    return written, errors


def parse_set(text: str) -> NamedFolder:
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
    parser.add_argument(
        "--calibrate-on", type=parse_set, nargs="+", default=[], help="NAME=DIR to fit the scores on"
    )
    parser.add_argument(
        "--check-on", type=parse_set, nargs="+", default=[], help="further drawn NAME=DIR to check scores on"
    )
    parser.add_argument("--cut-from", type=parse_set, help="NAME=DIR to choose the cut on")
    parser.add_argument("--judge", type=parse_set, nargs="*", default=[], help="further NAME=DIR to judge")
    parser.add_argument("--recall", type=float, default=0.9, help="share that stands above the cut")
    parser.add_argument("--recalibrate", type=Path, help="a labelled set to fit the scores on again")
    parser.add_argument("--workers", type=int, default=1, help="processes that judge (default: 1)")
    options = parser.parse_args(arguments)
    if options.cut_from is None and options.recalibrate is None:
        parser.error("state --cut-from, or --recalibrate")
    try:
        _run(options)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


def _run(options: argparse.Namespace) -> None:
    if options.recalibrate is not None:
        record, errors = recalibrate(options.weights, options.recalibrate, workers=options.workers)
        print(json.dumps({"default_cut": record.default_cut, **errors}))
    if options.calibrate_on:
        calibrate(options.weights, options.calibrate_on, workers=options.workers)
    if options.cut_from is None:
        return
    record = record_scores(
        options.weights,
        options.cut_from,
        options.judge,
        recall=options.recall,
        check_sets=options.check_on,
        workers=options.workers,
    )
    table = strata_to_text(
        record.scores["strata"]["rows"],
        is_kept=lambda row: row["group"] is None or row["factor"] == "group",
    )
    print(table, file=sys.stderr)
    for way, figures in record.scores.get("reliability", {}).items():
        print(
            f"{way}: calibration error {figures['scores']['error']:.4f} of {figures['scores']['n']} "
            f"candidates, {figures['groups']['error']:.4f} of the groups of {figures['groups']['n']} found",
            file=sys.stderr,
        )
    print(json.dumps(record.scores["default_cut"]))


if __name__ == "__main__":
    sys.exit(main())
