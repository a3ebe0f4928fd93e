"""Compare a new detector with the one in use, on the locked split of a labelled set.

    python -m training.compare --data SET --new DIR --out FILE [--old DIR] [--margin 0.02]

The new one may take over if its recall at its own default cut is not worse than the old one's at its own by
more than the margin: the lower end of a one-sided 95 % interval of the difference, specimens drawn anew for
both at once, lies above -margin. Whatever the old one found and readers confirmed, and the new one loses, is
listed by picture and annotation; so is what is gained. FILE is JSON that names both detectors and the set by
their hashes. The exit status is 0 whether or not the new one may take over; FILE says which.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from training.bootstrap import NotWorse, compare_paired, total_by_specimen
from training.dataset import read_marked_pictures
from training.evaluate import Judged, judge_picture
from training.judge import found_objects
from training.metrics import FALSE
from training.parts import hash_data
from training.splits import take_split
from triage.detector import load_detector
from triage.errors import RecordError, TriageError
from triage.labelled_set import JUDGING, LEAST_JUDGED_SPECIMENS

MARGIN = 0.02
"""Greatest loss of recall that is let pass (our choice)."""


def compare(
    old: Sequence[Judged], new: Sequence[Judged], *, old_cut: float, new_cut: float, margin: float
) -> dict[str, Any]:
    """What the new detector gains and loses on the same pictures, as plain values.

    Parameters
    ----------
    old, new : sequence of Judged
        The same pictures in the same order.
    old_cut, new_cut : float
        Working point of each.
    margin : float
        Greatest loss of recall that is let pass.
    """
    found_old = [{index for _, index in found_objects(one, old_cut)} for one in old]
    found_new = [{index for _, index in found_objects(one, new_cut)} for one in new]
    names = [one.marked.kept_together for one in old]
    totals = total_by_specimen(
        names,
        [len(found) for found in found_old],
        [len(found) for found in found_new],
        [one.matches.n_objects for one in old],
    )
    verdict = compare_paired(totals[:, 0], totals[:, 1], totals[:, 2], margin=margin)
    n_with_objects = int((totals[:, 2] > 0).sum())
    return {
        "pictures": len(old),
        "specimens": len(totals),
        "specimens_with_objects": n_with_objects,
        "objects": int(totals[:, 2].sum()),
        "recall": {"old": _share(totals, 0), "new": _share(totals, 1)},
        "false_per_picture": {"old": _false(old, old_cut), "new": _false(new, new_cut)},
        **dataclasses.asdict(verdict),
        "may_take_over": verdict.is_not_worse and n_with_objects >= LEAST_JUDGED_SPECIMENS,
        "sentence": _to_sentence(verdict, n_with_objects),
        "lost": _list_objects(old, found_old, found_new),
        "gained": _list_objects(old, found_new, found_old),
    }


def _share(totals: Any, column: int) -> float | None:
    n = float(totals[:, 2].sum())
    return float(totals[:, column].sum()) / n if n else None


def _false(judged: Sequence[Judged], cut: float) -> float:
    n = sum(int(((one.matches.verdicts == FALSE) & (one.matches.scores >= cut)).sum()) for one in judged)
    return n / max(len(judged), 1)


def _to_sentence(verdict: NotWorse, n_specimens: int) -> str:
    if n_specimens < LEAST_JUDGED_SPECIMENS:
        return (
            f"The judging split holds objects of {n_specimens} specimens; at least "
            f"{LEAST_JUDGED_SPECIMENS} are needed to compare. Sign off more specimens and make a new set."
        )
    said = (
        f"The recall changes by {verdict.difference:+.3f}, and with 95 % certainty by no less than "
        f"{verdict.low:+.3f}"
    )
    if verdict.is_not_worse:
        return f"{said}, which is within the margin of -{verdict.margin:g}: the new detector may take over."
    said = f"{said}, which is below the margin of -{verdict.margin:g}: the new detector may not take over."
    if verdict.difference <= -verdict.margin:
        return said
    return (
        f"{said} So few objects can't tell this from a loss: sign off more specimens, make a new set, and "
        "compare on its locked split."
    )


def _list_objects(
    judged: Sequence[Judged], found: Sequence[set[int]], not_found: Sequence[set[int]]
) -> list[dict[str, Any]]:
    """Objects in `found` and not in `not_found`."""
    rows = []
    for one, has, lacks in zip(judged, found, not_found, strict=True):
        wanted = one.marked.list_wanted()
        rows += [
            {
                "file": one.marked.path.name,
                "annotation": wanted[index].annotation_id,
                "group": wanted[index].group,
                "box_xyxy": [round(float(edge), 1) for edge in wanted[index].box_xyxy],
            }
            for index in sorted(has - lacks)
        ]
    return rows


def compare_folders(data: Path, old: Path | None, new: Path, *, margin: float) -> dict[str, Any]:
    """Compare two folders of weights on the judging split of a set.

    Raises
    ------
    RecordError
        If the set has no judging split, or both detectors are the same.
    TriageError
        If the set or weights can't be read.
    """
    pictures = take_split(read_marked_pictures(data), JUDGING)
    if not pictures:
        raise RecordError(f"{data} has no picture in the judging split. Make a set of more specimens.")
    detectors = [load_detector(old), load_detector(new)]
    if detectors[0].weights_sha256 == detectors[1].weights_sha256:
        raise RecordError(
            f"Both detectors have the weights {detectors[0].weights_sha256[:12]}. Name another new one."
        )
    judged = [
        [judge_picture(one, detector, is_scale_used=True) for one in pictures] for detector in detectors
    ]
    cuts = [detector.record.default_cut for detector in detectors]
    return {
        "set_sha256": hash_data(data),
        "old": {"name": detectors[0].name, "weights_sha256": detectors[0].weights_sha256, "cut": cuts[0]},
        "new": {"name": detectors[1].name, "weights_sha256": detectors[1].weights_sha256, "cut": cuts[1]},
        **compare(judged[0], judged[1], old_cut=cuts[0], new_cut=cuts[1], margin=margin),
    }


def to_text(result: dict[str, Any]) -> str:
    """The comparison in lines for a person."""
    old, new = result["recall"]["old"], result["recall"]["new"]
    return "\n".join(
        [
            f"{result['pictures']} pictures of {result['specimens']} specimens, {result['objects']} objects",
            *([] if old is None else [f"  recall {old:.3f} before, {new:.3f} after"]),
            f"  false candidates per picture {result['false_per_picture']['old']:.2f} before, "
            f"{result['false_per_picture']['new']:.2f} after",
            *(
                f"  lost: {row['file']} annotation {row['annotation']} {row['group']}"
                for row in result["lost"]
            ),
            f"  {len(result['lost'])} lost, {len(result['gained'])} gained",
            result["sentence"],
        ]
    )


def main(arguments: list[str] | None = None) -> int:
    """Compare as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.compare", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--data", type=Path, required=True, help="labelled set with a judging split")
    parser.add_argument("--new", type=Path, required=True, help="folder of the new detector")
    parser.add_argument("--old", type=Path, help="folder of the one in use (default: shipped)")
    parser.add_argument("--out", type=Path, required=True, help="JSON file to write")
    parser.add_argument("--margin", type=float, default=MARGIN, help="greatest loss of recall let pass")
    options = parser.parse_args(arguments)
    if not 0 <= options.margin <= 0.2:
        parser.error(f"--margin is {options.margin:g}; it must lie between 0 and 0.2.")
    try:
        result = compare_folders(options.data, options.old, options.new, margin=options.margin)
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    options.out.write_text(json.dumps(result, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    print(to_text(result))
    return 0


if __name__ == "__main__":
    sys.exit(main())
