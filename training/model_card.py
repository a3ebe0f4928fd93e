"""Write the model card of a detector from its record, so that no figure is copied by hand.

    python -m training.model_card --weights DIR

Writes `MODEL_CARD.md` beside the weights. Pictures that `training.record_scores` drew there are shown in it.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from training.record_scores import FAILURES_FILE, RELIABILITY_FILE
from training.strata import BINS, name_stratum
from training.synthesize.sight import LEAST_VISIBLE
from triage.errors import RecordError, TriageError
from triage.groups import read_groups
from triage.strata import LEAST_OBJECTS, STATED_RECALL
from triage.weights import WeightsRecord, read_record

CARD_FILE = "MODEL_CARD.md"
DRAWN_ALONE = "drawn slides alone"
_NO_PHOTOGRAPH = "No photograph was in it, and so no veterinary flotation slide. "
_N_WEAKEST = 15

Row = dict[str, Any]


def write_card(folder: Path) -> Path:
    """Write the card of a weights folder; the path of the card.

    Raises
    ------
    RecordError
        If the record holds no judged set.
    TriageError
        If the folder can't be read.
    """
    record = read_record(folder)
    if not record.scores.get("judged"):
        raise RecordError(
            f"The record in {folder} holds no judged set. Run training.record_scores on it first."
        )
    path = folder / CARD_FILE
    path.write_text("\n\n".join(_write_sections(record, folder)) + "\n", encoding="utf-8")
    return path


def _write_sections(record: WeightsRecord, folder: Path) -> Iterator[str]:
    yield f"# {record.name}"
    yield (
        "Finds candidates for eggs, oocysts and cysts in photographs of fecal flotation slides, for a person "
        "who marks each one. It never says what an animal has, and never that there is nothing.\n\n"
        "Written by `python -m training.model_card` from `record.json`; every figure is there. Intervals are "
        "95 % (Wilson for shares, Garwood for counts)."
    )
    yield from _write_making(record)
    yield from _write_judging(record)
    yield from _write_reliability(record, folder)
    yield from _write_strata(record)
    yield from _write_failures(record, folder)
    yield from _write_duties()


def _tell_start(start: object) -> str:
    """What a record says of the start: a licence, or the detector that was gone on with."""
    if isinstance(start, dict):
        return f"{start['name']}, weights {start['weights_sha256'][:12]}, in `{start['given']}`"
    return str(start or "random weights")


def _write_making(record: WeightsRecord) -> Iterator[str]:
    trained_on = str(record.recipe.get("trained_on", "not stated"))
    told = (
        " It is told the scale of a picture where it is known." if record.network.get("knows_scale") else ""
    )
    yield "## What it was trained on"
    yield (
        f"{_sentence(trained_on)} {'' if trained_on != DRAWN_ALONE else _NO_PHOTOGRAPH}"
        f"Started from: {_tell_start(record.recipe.get('start'))}. "
        f"It works at {record.um_per_px:g} µm per pixel, in tiles of {record.tile_px} px.{told}"
    )
    command = record.recipe.get("command")
    if command:
        yield f"Made by:\n```sh\n{command}\n```"
    look_alikes = [group.name for group in read_groups() if group.kind != "candidate"]
    names = [name for name in record.groups if name not in look_alikes]
    yield f"Groups: {', '.join(names)}. Look-alikes it was shown, to put aside: {', '.join(look_alikes)}."


def _sentence(text: object) -> str:
    words = str(text).strip().rstrip(".")
    return f"{words[:1].upper()}{words[1:]}."


def _write_judging(record: WeightsRecord) -> Iterator[str]:
    cut = record.scores.get("default_cut")
    yield "## What it was judged on"
    yield (
        "Drawn slides of other seeds, and photographs where named so. No veterinary flotation slide was in "
        "either. Objects cut by the picture's edge, or so faint, blurred or covered that nobody could be "
        f"asked to see them (`visible` below {LEAST_VISIBLE:g}), count neither way."
    )
    if isinstance(cut, dict):
        yield (
            f"The default cut, {cut['score']:.3f}, is the highest score that finds {cut['recall']:g} of the "
            f'objects of "{cut["chosen_on"]}". Candidates below it stay within reach.'
        )
    judged: dict[str, Row] = record.scores["judged"]
    head = (
        "| set | pictures | objects | recall at 0.1 | at 0.5 | at 1 false positives a picture | group right |"
    )
    yield "\n".join([head, "|---|--:|--:|---|---|---|---|", *map(_judged_row, judged, judged.values())])
    head = (
        "| set | recall at the cut | false a picture | false a mm² | false a picture at 0.95 recall | "
        "false a mm² at 0.95 recall | candidates on a picture without objects |"
    )
    yield "\n".join([head, "|---|---|---|---|---|---|---|", *map(_cut_row, judged, judged.values())])


def _judged_row(name: str, row: Row) -> str:
    if not row["objects"]:
        return f"| {name} | {row['pictures']} | 0 | | | | |"
    recalls = " | ".join(_share(row["recall"][rate]) for rate in ("0.1", "0.5", "1"))
    right = row["group_right"]
    share = right["right"] / right["of"] if right["of"] else 0.0
    return (
        f"| {name} | {row['pictures']} | {row['objects']} | {recalls} | "
        f"{share:.2f} ({right['right']} of {right['of']}, {_span(right['interval'])}) |"
    )


def _cut_row(name: str, row: Row) -> str:
    cut, free = row["default_cut"], row["object_free"]
    recall = f"{cut['recall']:.2f}" + (f" ({_span(cut['interval'])})" if "interval" in cut else "")
    recall = recall if row["objects"] else "no objects"
    per_free = (
        f"{free['per_picture']:.2f} ({_span(free['interval'])}; {free['pictures']} pictures)"
        if free["pictures"] and "interval" in free
        else "none in the set"
    )
    return (
        f"| {name} | {recall} | {cut['false_per_picture']:.2f} | {_area(cut.get('false_per_mm2'))} | "
        f"{_at_stated_recall(row)} | {per_free} |"
    )


def _at_stated_recall(row: Row) -> str:
    stated = row.get("at_stated_recall")
    if not row["objects"]:
        return "no objects | no objects"
    if stated is None or stated["score"] is None:
        return "not reached | not reached"
    return (
        f"{stated['per_picture']:.2f} ({_span(stated['per_picture_interval'])}) | {_area(stated['per_mm2'])}"
    )


def _share(row: Row) -> str:
    return f"{row['share']:.2f} ({_span(row['interval'])})"


def _span(interval: Sequence[float]) -> str:
    return f"{interval[0]:.2f} to {interval[1]:.2f}"


def _area(row: Row | None) -> str:
    return "scale unknown" if row is None else f"{row['rate']:.2f} ({_span(row['interval'])})"


def _write_reliability(record: WeightsRecord, folder: Path) -> Iterator[str]:
    reliability: dict[str, Row] = record.scores.get("reliability", {})
    if not reliability:
        return
    fitted = ", ".join(record.score_calibration.get("fitted_on", [])) or "nothing: the scores are raw"
    yield "## Do the scores hold?"
    yield (
        f"Scores were fitted on: {fitted}. On drawn sets of other seeds, of the candidates that a reader can "
        "reach (down to a third of the default cut), the expected calibration error (10 bins) is:"
    )
    rows = [
        f"| {way.replace('_', ' ')} | {one['scores']['error']:.3f} ({one['scores']['n']} candidates) | "
        f"{one['groups']['error']:.3f} ({one['groups']['n']} found objects) |"
        for way, one in reliability.items()
    ]
    yield "\n".join(["| | is an object | its group is right |", "|---|---|---|", *rows])
    if (folder / RELIABILITY_FILE).is_file():
        yield f"![Share right against score, with and without a scale]({RELIABILITY_FILE})"


def _write_strata(record: WeightsRecord) -> Iterator[str]:
    strata = record.scores.get("strata")
    if not strata:
        return
    rows: list[Row] = strata["rows"]
    yield "## Group by group, and what makes it harder"
    yield (
        f"At the default cut ({strata['default_cut']:.3f}), on: {', '.join(strata['sets'])}. "
        "Density is in objects a megapixel, focus in depths of field, light in shares of full; sharpness, "
        "contrast and evenness are what the tool itself measures of a picture."
    )
    yield _tabulate([row for row in rows if row["factor"] in ("all", "group")])
    yield _tabulate([row for row in rows if row["factor"] in BINS and row["group"] is None])
    weak = [
        row
        for row in rows
        if row["factor"] in BINS
        and row["group"] is not None
        and row["objects"] >= LEAST_OBJECTS
        and row["recall"] < STATED_RECALL
    ]
    if weak:
        yield f"Groups by circumstance, {LEAST_OBJECTS} objects and more, found least often:"
        yield _tabulate(sorted(weak, key=lambda row: (row["recall"], row["factor"]))[:_N_WEAKEST])


def _tabulate(rows: Sequence[Row]) -> str:
    lines = ["| stratum | objects | recall | group right, of those found |", "|---|--:|---|---|"]
    for row in rows:
        right = row["group_right"] / row["found"] if row["found"] else 0.0
        lines.append(
            f"| {name_stratum(row)} | {row['objects']} | {row['recall']:.2f} ({_span(row['interval'])}) | "
            f"{right:.2f} ({_span(row['group_right_interval'])}) |"
        )
    return "\n".join(lines)


def _write_failures(record: WeightsRecord, folder: Path) -> Iterator[str]:
    yield "## Where it fails"
    if (folder / FAILURES_FILE).is_file():
        yield (
            "Objects of drawn slides that stand below the cut, and false candidates with the highest scores "
            "(photographs are not shown, for they are not ours to show):"
        )
        yield f"![Missed objects and false candidates on drawn slides]({FAILURES_FILE})"
    known = record.recipe.get("weaknesses")
    if known:
        yield "\n".join(f"- {_sentence(one)}" for one in known)


def _write_duties() -> Iterator[str]:
    yield "## Before a hospital relies on it"
    yield (
        "1. Calibrate every microscope and objective with a stage micrometer.\n"
        "2. Have readers read at least some dozens of your own slides unaided, then with proposals, and "
        "export the signed-off marks as a labelled set. Neither the training nor the figures above hold a "
        "slide like yours.\n"
        "3. Judge the detector on them: `python -m training.evaluate --data SET`. Look at every miss.\n"
        "4. Fit the scores to your slides: copy this folder, then "
        "`python -m training.record_scores --weights COPY --recalibrate SET`.\n"
        "5. If it misses what it should find, go on training from it on your set, and judge again on slides "
        "of specimens that it was not trained on.\n"
        "6. Keep reading whole slides. What the picture does not show, no detector finds; and a person "
        "decides on every candidate."
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the card as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.model_card", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--weights", type=Path, required=True, help="folder that record_scores completed")
    options = parser.parse_args(arguments)
    try:
        print(write_card(options.weights))
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
