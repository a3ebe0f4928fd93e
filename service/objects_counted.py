"""Which confirmed candidates are one object: two readers may draw it, and the tool propose it too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.settle import current_answer
from service.store.reading import Spoken
from triage.boxes import box_iou

# Boxes of one group in one picture that share at least this much are one object (our choice, no source).
SAME_OBJECT_IOU = 0.4


@dataclass(frozen=True)
class Counted:
    """One object that counts, with every candidate that stands for it, the best ranked first."""

    group: str
    image_id: int
    spoken: tuple[Spoken, ...]


def count_objects(spoken: Sequence[Spoken]) -> list[Counted]:
    """The confirmed objects, each once, in the order of their first candidate."""
    groups: dict[tuple[int, str], list[list[Spoken]]] = {}
    for one in spoken:
        answer = current_answer(one)
        if answer is None or answer.answer != "confirm":
            continue
        objects = groups.setdefault((one.candidate.image_id, answer.group or one.candidate.group), [])
        same = next((other for other in objects if _is_same(other[0], one)), None)
        if same is None:
            objects.append([one])
        else:
            same.append(one)
    return [
        Counted(group, image_id, tuple(of_one))
        for (image_id, group), objects in groups.items()
        for of_one in objects
    ]


def _is_same(one: Spoken, other: Spoken) -> bool:
    return bool(box_iou(_to_xyxy(one), _to_xyxy(other))[0, 0] >= SAME_OBJECT_IOU)


def _to_xyxy(one: Spoken) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    x, y, width, height = one.candidate.said["bbox"]
    return np.array([[x, y, x + width, y + height]], dtype=np.float64)
