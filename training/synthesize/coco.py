"""Truth on disk: one COCO file beside the pictures."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from training.synthesize.truth import TileTruth
from triage.boxes import to_xywh
from triage.groups import read_groups


def write_coco(
    path: Path, file_names: Sequence[str], shape_hw: tuple[int, int], truths: Sequence[TileTruth]
) -> None:
    """Write the truth of pictures of one size as COCO JSON with our extra keys.

    Parameters
    ----------
    path : Path
    file_names : sequence of str
        Of the pictures, in the order of `truths`.
    shape_hw : tuple of int
        Height and width of every picture.
    truths : sequence of TileTruth

    Notes
    -----
    Extra keys of an annotation: `ellipse` (`cx`, `cy`, `major_px`, `minor_px`, `angle_deg`, of the whole
    outline), `length_um`, `width_um`, `focus_um`, `focus_depths` (in depths of field), `occluded` (share of
    the part inside the picture that does not show), `truncated` (cut by the picture's edge), `visible`,
    `contrast`, `definition` and `debris_cover` (as in `training.synthesize.truth.TileTruth`), `kind`,
    `alternative_boxes` (two bodies that may as well be boxed apart). Of an image: `um_per_px`, `light_level`,
    `light_unevenness`.
    """
    images = [
        _image(number, name, shape_hw, truth)
        for number, (name, truth) in enumerate(zip(file_names, truths, strict=True), start=1)
    ]
    rows = [
        (image["id"], truth, row)
        for image, truth in zip(images, truths, strict=True)
        for row in range(len(truth.labels))
    ]
    annotations = [_annotation(number, *row) for number, row in enumerate(rows, start=1)]
    categories = [
        {"id": number, "name": group.name, "supercategory": group.kind}
        for number, group in enumerate(read_groups(), start=1)
    ]
    whole = {"images": images, "annotations": annotations, "categories": categories}
    path.write_text(json.dumps(whole, indent=1), encoding="utf-8")


def _image(number: int, name: str, shape_hw: tuple[int, int], truth: TileTruth) -> dict[str, Any]:
    height, width = shape_hw
    return {
        "id": number,
        "file_name": name,
        "width": width,
        "height": height,
        "um_per_px": truth.um_per_px,
        "light_level": truth.light_level,
        "light_unevenness": truth.light_unevenness,
    }


def _annotation(number: int, image_id: int, truth: TileTruth, row: int) -> dict[str, Any]:
    cx, cy, major, minor, angle = (float(value) for value in truth.ellipses[row])
    inside = float(truth.inside[row])
    bbox = to_xywh(truth.boxes_xyxy[row])
    return {
        "id": number,
        "image_id": image_id,
        "category_id": int(truth.labels[row]) + 1,
        "bbox": bbox,
        "area": bbox[2] * bbox[3],
        "iscrowd": 0,
        "ellipse": {"cx": cx, "cy": cy, "major_px": major, "minor_px": minor, "angle_deg": angle},
        "length_um": float(truth.sizes_um[row, 0]),
        "width_um": float(truth.sizes_um[row, 1]),
        "focus_um": float(truth.focus_um[row]),
        "focus_depths": float(truth.focus_depths[row]),
        "occluded": 1 - float(truth.shown[row]) / inside if inside else 1.0,
        "visible": float(truth.visible[row]),
        "contrast": float(truth.contrast[row]),
        "definition": float(truth.definition[row]),
        "debris_cover": float(truth.debris_cover[row]),
        "truncated": bool(truth.is_truncated[row]),
        "kind": truth.kinds[row],
        "alternative_boxes": [to_xywh(body) for body in truth.bodies_xyxy[row] if np.isfinite(body).all()],
    }
