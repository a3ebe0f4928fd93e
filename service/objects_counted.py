"""Which confirmed candidates are one object: two readers may draw it, and the tool propose it too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.settle import Said, current_answer
from service.store.reading import Spoken
from triage.boxes import box_iou

# Boxes in one picture that share at least this much are one object (our choice, no source).
SAME_OBJECT_IOU = 0.4

Answered = tuple[Spoken, Said]


@dataclass(frozen=True)
class Counted:
    """One object that counts, with every candidate that stands for it, the best ranked first.

    Attributes
    ----------
    group : str
        What was said of it last.
    other_groups : tuple of str
        What other candidates at its place were confirmed as: nobody settled these against each other.
    """

    group: str
    image_id: int
    spoken: tuple[Spoken, ...]
    other_groups: tuple[str, ...] = ()


def count_objects(spoken: Sequence[Spoken]) -> list[Counted]:
    """The confirmed objects, each once, in the order of their first candidate."""
    pictures: dict[int, list[list[Answered]]] = {}
    for one in spoken:
        answer = current_answer(one)
        if answer is None or answer.answer != "confirm":
            continue
        objects = pictures.setdefault(one.candidate.image_id, [])
        same = next((other for other in objects if _is_same(other[0][0], one)), None)
        if same is None:
            objects.append([(one, answer)])
        else:
            same.append((one, answer))
    return [_count(image_id, of_one) for image_id, objects in pictures.items() for of_one in objects]


def _count(image_id: int, answered: Sequence[Answered]) -> Counted:
    group = _group_of(max(answered, key=lambda pair: pair[1].created_at))
    groups = dict.fromkeys(map(_group_of, answered))
    others = tuple(name for name in groups if name != group)
    return Counted(group, image_id, tuple(one for one, _ in answered), others)


def _group_of(answered: Answered) -> str:
    one, answer = answered
    return answer.group or one.candidate.group


def _is_same(one: Spoken, other: Spoken) -> bool:
    return bool(box_iou(_to_xyxy(one), _to_xyxy(other))[0, 0] >= SAME_OBJECT_IOU)


def _to_xyxy(one: Spoken) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    x, y, width, height = one.candidate.said["bbox"]
    return np.array([[x, y, x + width, y + height]], dtype=np.float64)
