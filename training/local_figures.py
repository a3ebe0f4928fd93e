"""What a detector makes of marked pictures of one kind and of drawn tiles, before and after it was adapted.

Figures are taken through the same proposal that a reader gets, on the weights as they are stored.
"""

from __future__ import annotations

import dataclasses
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from scipy.stats import t as student_t

from training.drawn import DrawBatch
from training.evaluate import Judged, judge_picture
from training.held_out import draw_held_out, judge
from training.metrics import free_response, wilson_interval
from training.own_calibration import calibrate_judged, fit_own, tell_own
from training.own_cut import (
    LISTING_CUT,
    Seen,
    count_on_empty,
    find_cut,
    take_pictures,
    take_tiles,
)
from training.own_cut import to_lines as tell_cut
from training.parallel import choose_device
from training.settings import Settings
from training.splits import take_split
from training.start_weights import start_folder
from training.supply import Given
from training.targets import Batch
from triage.detector import Detector, TorchEngine
from triage.network_file import read_network
from triage.weights import WeightsRecord, read_record, write_record

RATES = (0.1, 0.5, 1.0)
"""False positives per picture at which recall is quoted."""
LISTED_AT = 0.5
"""Groups and lengths are quoted of what is found at this many false positives per picture."""
STATED_RECALL = 0.95
"""False alarms on pictures without objects are counted at the cut that finds this share of the objects."""
_LOW, _HIGH = "_low", "_high"
CPU_TILES = 4
"""Tiles in a call on a CPU."""


@dataclass(frozen=True)
class LocalFigures:
    """The figures of one detector, or of the detectors of all folds pooled.

    Attributes
    ----------
    n_pictures, n_objects : int
        What was judged.
    n_found : dict of str to int
        Objects found at each of `RATES`.
    n_group_right, n_listed : int
        Of those found at `LISTED_AT`, how many have their own group first.
    n_object_free : int
        Pictures with nothing in them.
    n_false_at_recall, n_false_at_cut : int
        Candidates there, above the cut that finds `STATED_RECALL` of the objects and above the default cut.
    recall_reached : bool
        Whether any cut finds `STATED_RECALL`.
    length_errors : tuple of float
        (length said - length marked) / length marked, of found objects with a known outline.
    drawn : dict
        Figures on drawn tiles that were never trained on, as `training.cut` names them, and the ends of their
        intervals; means over folds.
    """

    n_pictures: int
    n_objects: int
    n_found: dict[str, int]
    n_group_right: int
    n_listed: int
    n_object_free: int
    n_false_at_recall: int
    n_false_at_cut: int
    recall_reached: bool
    length_errors: tuple[float, ...]
    drawn: dict[str, float]

    def to_json(self) -> dict[str, Any]:
        """Every figure as plain values, with intervals."""
        recall = {rate: _share(n, self.n_objects) for rate, n in self.n_found.items()}
        return {
            "pictures": self.n_pictures,
            "objects": self.n_objects,
            "recall": recall,
            "group_right": _share(self.n_group_right, self.n_listed),
            "object_free": {
                "pictures": self.n_object_free,
                "candidates_at_stated_recall": self.n_false_at_recall,
                "stated_recall": STATED_RECALL,
                "stated_recall_reached": self.recall_reached,
                "candidates_above_default_cut": self.n_false_at_cut,
            },
            "length_bias": _describe_bias(self.length_errors),
            "drawn": self.drawn,
        }


def _share(n: int, of: int) -> dict[str, Any]:
    return {"share": n / max(of, 1), "n": n, "of": of, "interval": wilson_interval(n, of)}


def _describe_bias(errors: Sequence[float]) -> dict[str, Any]:
    """Mean relative error with its 95 % interval by Student's t, and the deviation."""
    if len(errors) < 2:
        return {"n": len(errors), "mean": None, "interval": None, "sd": None}
    mean, sd = statistics.fmean(errors), statistics.stdev(errors)
    half = float(student_t.ppf(0.975, len(errors) - 1)) * sd / len(errors) ** 0.5
    return {"n": len(errors), "mean": mean, "interval": (mean - half, mean + half), "sd": sd}


def open_detector(folder: Path, device: torch.device) -> Detector:
    """The detector of a weights folder, run by torch, so that no graph has to be exported first."""
    record = read_record(folder)
    batch = {} if device.type == "cuda" else {"batch": CPU_TILES}
    return Detector(record, TorchEngine(folder, record, str(device), **batch))


def judge_drawn(folder: Path, held_out: Sequence[Batch], device: torch.device) -> dict[str, float]:
    """Recall and group figures of a weights folder on drawn tiles that were never trained on."""
    record = read_record(folder)
    network = read_network(folder, record)
    return pick_drawn(judge(network.to(device), held_out))


def pick_drawn(scores: dict[str, Any]) -> dict[str, float]:
    """The figures on drawn tiles that are quoted beside those on pictures, with their intervals' ends."""
    names = [*(f"recall_at_{rate:g}" for rate in RATES), "group_right"]
    return {
        **{
            f"{name}{end}": scores[name][place]
            for name in names
            for place, end in enumerate(("", _LOW, _HIGH))
        },
        "tiles": scores["drawn_tiles"],
        "objects": scores["drawn_objects"],
    }


def to_figures(judged: Sequence[Judged], *, default_cut: float, drawn: dict[str, float]) -> LocalFigures:
    """The figures of judged pictures; the scores of several detectors are pooled as if they were one's.

    Parameters
    ----------
    judged : sequence of Judged
        At least one picture.
    default_cut : float
        Score from which a candidate is shown at first.
    drawn : dict
        Figures on drawn tiles.
    """
    curve = free_response([one.matches for one in judged])
    listed = _list_found(judged, curve.cut_at(LISTED_AT))
    at_recall = curve.cut_for(STATED_RECALL)
    lowest = float(curve.thresholds.min(initial=1.0))
    return LocalFigures(
        n_pictures=len(judged),
        n_objects=curve.n_objects,
        n_found={f"{rate:g}": round(curve.recall_at(rate) * curve.n_objects) for rate in RATES},
        n_group_right=sum(one.candidates[row].group == one.truth.groups[index] for one, row, index in listed),
        n_listed=len(listed),
        n_object_free=sum(one.is_object_free for one in judged),
        n_false_at_recall=count_on_empty(judged, lowest if at_recall is None else at_recall),
        n_false_at_cut=count_on_empty(judged, default_cut),
        recall_reached=at_recall is not None,
        length_errors=tuple(error for found in listed if (error := _length_error(*found)) is not None),
        drawn=drawn,
    )


def _list_found(judged: Sequence[Judged], cut: float) -> list[tuple[Judged, int, int]]:
    """Picture, row of the candidate and number of the object, of every object found from `cut` up."""
    return [
        (one, int(row), int(one.matches.objects[row]))
        for one in judged
        for row in np.flatnonzero((one.matches.objects >= 0) & (one.matches.scores >= cut))
    ]


def _length_error(one: Judged, row: int, index: int) -> float | None:
    said = one.candidates[row].ellipse
    marked = one.marked.list_wanted()[index].ellipse
    return None if said is None or marked is None else said.length_px / marked[2] - 1


def compare(
    settings: Settings, draw: DrawBatch, train_with: Callable[..., WeightsRecord | None]
) -> WeightsRecord | None:
    """Train with `train_with` and print the figures before and after, on what was never learnt.

    Parameters
    ----------
    settings : Settings
    draw : callable
        What draws tiles.
    train_with : callable
        Takes `given` and `finish` as `training.train.train` does.

    Returns
    -------
    record : WeightsRecord or None
        With both figures under `scores["adapted"]`, a default cut of its own, told by
        `scores["default_cut"]`, and scores calibrated on the held-out pictures where they are enough for
        that; None where the training has not ended.
    """
    # Reads the set first: a mistake in its name should not cost a training.
    from training.dataset import read_marked_pictures

    assert settings.data is not None
    device = choose_device(settings.device)
    pictures = take_split(read_marked_pictures(settings.data), "held_out")
    held_out = list(draw_held_out(settings, device, draw))
    start = start_folder(settings.start)

    def judge_all(folder: Path, cut: float) -> list[Judged]:
        detector = open_detector(folder, device)
        detector.record = dataclasses.replace(detector.record, default_cut=cut)
        return [judge_picture(one, detector, is_scale_used=True) for one in pictures]

    def see(folder: Path, judged: Sequence[Judged]) -> list[Seen]:
        return [*take_pictures(judged), *take_tiles(folder, held_out, device)]

    old_cut = read_record(start).default_cut
    old = judge_all(start, old_cut)
    before = to_figures(old, default_cut=old_cut, drawn=judge_drawn(start, held_out, device))

    def finish(record: WeightsRecord) -> WeightsRecord:
        raw = judge_all(settings.out, LISTING_CUT)
        values = fit_own(raw, name=f"{len(raw)} held-out pictures")
        write_record(settings.out, dataclasses.replace(record, score_calibration=values))
        new = [calibrate_judged(one, values) for one in raw]
        cut = find_cut(see(start, old), old_cut, see(settings.out, new))
        after = to_figures(new, default_cut=cut.score, drawn=judge_drawn(settings.out, held_out, device))
        print("\n".join(to_lines(before, after)), flush=True)
        print("\n".join([*([] if cut.said is None else tell_cut(cut.said)), tell_own(values)]), flush=True)
        return cut.write(settings.out, adapted={"before": before.to_json(), "after": after.to_json()})

    return train_with(given=Given(held_out=held_out), finish=finish)


def to_lines(before: LocalFigures, after: LocalFigures) -> list[str]:
    """Both figures side by side, for a person."""
    old, new = before.to_json(), after.to_json()
    rows = [
        ("", "before", "after"),
        *(
            (
                f"recall at {rate} false positives per picture",
                _tell_share(old["recall"][rate]),
                _tell_share(new["recall"][rate]),
            )
            for rate in old["recall"]
        ),
        (
            f"group right, of those found at {LISTED_AT:g}",
            _tell_share(old["group_right"]),
            _tell_share(new["group_right"]),
        ),
        (
            f"candidates on {before.n_object_free} object-free pictures, at {STATED_RECALL:g} recall",
            *(
                f"{one.n_false_at_recall}{'' if one.recall_reached else ' (not reached)'}"
                for one in (before, after)
            ),
        ),
        (
            f"candidates on {before.n_object_free} object-free pictures, above each one's default cut",
            f"{before.n_false_at_cut}",
            f"{after.n_false_at_cut}",
        ),
        ("length, against marked ellipses", _tell_bias(old["length_bias"]), _tell_bias(new["length_bias"])),
        *(
            (
                f"drawn tiles: {name.replace('_', ' ')}",
                _tell_drawn(before.drawn, name),
                _tell_drawn(after.drawn, name),
            )
            for name in before.drawn
            if name not in ("tiles", "objects") and not name.endswith((_LOW, _HIGH))
        ),
    ]
    held_out = f"{before.n_pictures} held-out pictures with {before.n_objects} objects to find"
    if before.n_pictures == 0:
        held_out = "No picture of the set is held out; only the figures on drawn tiles say something"
    drawn = f"{before.drawn['tiles']:g} drawn tiles with {before.drawn['objects']:g}"
    return [
        f"{held_out}; {drawn}; Wilson 95 % intervals.",
        *(f"{name:<62}  {one:>26}  {other:>26}" for name, one, other in rows),
    ]


def _tell_share(row: dict[str, Any]) -> str:
    low, high = row["interval"]
    return f"{row['share']:.2f} {row['n']}/{row['of']} ({low:.2f}-{high:.2f})"


def _tell_drawn(drawn: dict[str, float], name: str) -> str:
    said = f"{drawn[name]:.3f}"
    return f"{said} ({drawn[name + _LOW]:.3f}-{drawn[name + _HIGH]:.3f})" if name + _LOW in drawn else said


def _tell_bias(row: dict[str, Any]) -> str:
    if row["mean"] is None:
        return "unknown"
    low, high = row["interval"]
    return f"{row['mean']:+.1%} ({low:+.1%} to {high:+.1%})"
