"""What a labelled set holds, for a person to look through: counts, sizes, crops and doubtful marks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.settle import current_answer, is_unsettled
from service.store.models import AdjudicationRow
from service.store.reading import Spoken
from triage.boxes import box_iou, from_xywh
from triage.groups import find_group, read_groups
from triage.labelled_set import SPLITS, LabelledSet
from triage.morphometrics import find_references

SURE = 0.9
"""A detector is sure of what it gives this score or share, and of the opposite below 1 - SURE (ours)."""
N_CROPS = 12
N_DOUBTFUL = 200
N_BINS = 16
SAME_PLACE_IOU = 0.5
"""Boxes that overlap so much are on one object, as where a detector is judged."""
# The set's boxes are rounded to hundredths of a pixel.
_ROUNDED_PX = 0.01


@dataclass(frozen=True)
class Source:
    """Where one picture of a set comes from; `image_id` None: from elsewhere."""

    image_id: int | None
    spoken: tuple[Spoken, ...]


def describe_set(
    labelled: LabelledSet, sources: Sequence[Source], left_out: Sequence[dict[str, Any]]
) -> dict[str, Any]:
    """The report of a set as plain values.

    Parameters
    ----------
    labelled : LabelledSet
    sources : sequence of Source
        Of its images, in its order.
    left_out : sequence of dict
        `image_id` and `why` of pictures that don't fit the rule.
    """
    splits = [row["split"] for row in labelled.annotations["images"]]
    said = [
        (source.image_id, split, spoken)
        for source, split in zip(sources, splits, strict=True)
        for spoken in source.spoken
    ]
    doubtful = [
        *(row for image_id, _, spoken in said for row in _doubt(image_id, spoken)),
        *_doubt_places(labelled, sources),
    ]
    image_of = {
        row["file_name"]: source.image_id
        for row, source in zip(labelled.annotations["images"], sources, strict=True)
    }
    return {
        "splits": _count_splits(labelled),
        "groups": _count_groups(labelled),
        "sizes": _describe_sizes(labelled),
        "crops": _choose_crops([spoken for _, _, spoken in said]),
        "doubtful": doubtful[:N_DOUBTFUL],
        "doubtful_in_all": len(doubtful),
        "look_alike_pictures": [
            {**pair, "image_ids": [image_of[name] for name in pair["file_names"]]}
            for pair in labelled.manifest["look_alike_pictures"]
        ],
        "left_out": list(left_out),
    }


def _count_splits(labelled: LabelledSet) -> dict[str, dict[str, int]]:
    rows = labelled.annotations["images"]
    split_of = {row["id"]: row["split"] for row in rows}
    labels = Counter(split_of[row["image_id"]] for row in labelled.annotations["annotations"])
    return {
        split: {
            "specimens": len({row["specimen"] for row in rows if row["split"] == split}),
            "pictures": sum(row["split"] == split for row in rows),
            "labels": labels[split],
        }
        for split in SPLITS
    }


def _count_groups(labelled: LabelledSet) -> list[dict[str, Any]]:
    names = {row["id"]: row["name"] for row in labelled.annotations["categories"]}
    split_of = {row["id"]: row["split"] for row in labelled.annotations["images"]}
    counts = Counter(
        (names[row["category_id"]], split_of[row["image_id"]]) for row in labelled.annotations["annotations"]
    )
    return [
        {
            "group": group.name,
            "label": group.label,
            "kind": group.kind,
            **{split: counts[group.name, split] for split in SPLITS},
        }
        for group in read_groups()
        if any(counts[group.name, split] for split in SPLITS)
    ]


def _describe_sizes(labelled: LabelledSet) -> list[dict[str, Any]]:
    """Of each group with measured lengths: how many lie in each bin, and the published ranges."""
    names = {row["id"]: row["name"] for row in labelled.annotations["categories"]}
    lengths: dict[str, list[float]] = {}
    for row in labelled.annotations["annotations"]:
        if row["answer"] == "confirm" and row["length_um"] is not None:
            lengths.setdefault(names[row["category_id"]], []).append(row["length_um"])
    return [
        _describe_size(group.name, lengths[group.name]) for group in read_groups() if group.name in lengths
    ]


def _describe_size(group: str, lengths_um: list[float]) -> dict[str, Any]:
    known = [(one, one.length_range_um) for one in find_references(group) if one.length_range_um is not None]
    ends = [*lengths_um, *(end for _, bounds in known for end in bounds)]
    low, high = float(min(ends)), float(max(ends))
    counts, edges = np.histogram(lengths_um, bins=N_BINS, range=(low, max(high, low + 1.0)))
    return {
        "group": group,
        "label": find_group(group).label,
        "n": len(lengths_um),
        "median_um": round(float(np.median(lengths_um)), 2),
        "edges_um": [round(float(edge), 2) for edge in edges],
        "counts": [int(count) for count in counts],
        "ranges": [
            {"taxon": one.taxon, "range_um": list(bounds), "source": one.source} for one, bounds in known
        ],
    }


def _choose_crops(said: Sequence[Spoken]) -> list[dict[str, Any]]:
    """Some candidates of each group or look-alike, spread over the set."""
    by_group: dict[str, list[int]] = {}
    for spoken in said:
        answer = current_answer(spoken)
        if answer is not None and answer.answer != "unsure":
            name = answer.reason if answer.answer == "reject" else answer.group
            by_group.setdefault(name or spoken.candidate.group, []).append(spoken.candidate.id)
    return [
        {
            "group": group.name,
            "label": group.label,
            "candidate_ids": by_group[group.name][:: -(-len(by_group[group.name]) // N_CROPS)],
        }
        for group in read_groups()
        if group.name in by_group
    ]


def _doubt(image_id: int | None, spoken: Spoken) -> list[dict[str, Any]]:
    """Why a mark is doubtful, one row a reason."""
    answer, row = current_answer(spoken), spoken.candidate
    if answer is None:
        return []
    why = []
    if is_unsettled(spoken):
        why.append("Readers disagree, and nothing settles it.")
    elif isinstance(answer, AdjudicationRow):
        why.append("Readers disagreed; an adjudication settled it.")
    said = row.said
    if row.origin == "tool":
        score = float(said["score"])
        if answer.answer == "reject" and score >= SURE:
            why.append(f"Rejected, but the detector's score is {score:.2f}.")
        if answer.answer == "confirm" and score <= 1 - SURE:
            why.append(f"Confirmed, but the detector's score is only {score:.2f}.")
        group, share = max(said["group_scores"].items(), key=lambda one: one[1], default=(None, 0.0))
        theirs = answer.group or row.group
        if answer.answer == "confirm" and group not in (None, theirs) and share >= SURE:
            why.append(
                f"Confirmed as {find_group(theirs).label}, but the detector's share for "
                f"{find_group(group).label} is {share:.2f}."
            )
    return [{"candidate_id": row.id, "image_id": image_id, "why": text} for text in why]


def _doubt_places(labelled: LabelledSet, sources: Sequence[Source]) -> list[dict[str, Any]]:
    """Places that are marked twice over under two names, one row for each pair of marks."""
    name_of = {row["id"]: find_group(row["name"]).label for row in labelled.annotations["categories"]}
    by_image: dict[int, list[dict[str, Any]]] = {}
    for row in labelled.annotations["annotations"]:
        by_image.setdefault(row["image_id"], []).append(row)
    return [
        {
            "candidate_id": _find_candidate(source, one["bbox"]),
            "image_id": source.image_id,
            "file_name": image["file_name"],
            "why": _tell_names(name_of[one["category_id"]], name_of[other["category_id"]], one["bbox"]),
        }
        for image, source in zip(labelled.annotations["images"], sources, strict=True)
        for one, other in _pair_up(by_image.get(image["id"], []))
    ]


def _tell_names(name: str, other: str, bbox_xywh: Sequence[float]) -> str:
    left, top = (round(edge) for edge in bbox_xywh[:2])
    return f"One place has two names, {name} and {other}: the box whose corner is at {left}, {top} px."


def _pair_up(rows: Sequence[dict[str, Any]]) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Annotations of one picture on one object, by their boxes, and of two groups."""
    if len(rows) < 2:
        return []
    boxes = from_xywh([row["bbox"] for row in rows])
    close = np.triu(box_iou(boxes, boxes) >= SAME_PLACE_IOU, k=1)
    pairs = [(rows[one], rows[other]) for one, other in np.argwhere(close)]
    return [(one, other) for one, other in pairs if one["category_id"] != other["category_id"]]


def _find_candidate(source: Source, bbox_xywh: Sequence[float]) -> int | None:
    """The candidate that a label came from, by its box; None in a set from elsewhere."""
    for spoken in source.spoken:
        if np.allclose(spoken.candidate.said["bbox"], bbox_xywh, atol=_ROUNDED_PX):
            return int(spoken.candidate.id)
    return None
