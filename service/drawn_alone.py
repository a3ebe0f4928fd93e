"""Objects that one of several readers drew and no other spoke of: they differ there, until it is settled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.settle import current_answer
from service.store import images, reading, specimens
from service.store.changes import boxes_of
from service.store.database import Session
from service.store.reading import Spoken
from triage.match_finds import match_finds


@dataclass(frozen=True)
class DrawnAlone:
    """Such an object; `silent` are the other readers of its picture."""

    spoken: Spoken
    silent: tuple[int, ...]


def find_drawn_alone(session: Session, specimen_id: int) -> list[DrawnAlone]:
    """The objects of a specimen that only one of the readers of their picture drew, by picture.

    A picture has several readers where a second look is done, or where each locked an unaided read.
    """
    image_ids = [state.image.id for state in images.list_image_states(session, [specimen_id])[specimen_id]]
    readers = _list_readers(session, specimen_id, image_ids)
    shared = [number for number in image_ids if len(readers[number]) > 1]
    if not shared:
        return []
    spoken = reading.list_spoken(session, shared)
    return [
        found
        for number in shared
        for found in _find_in([one for one in spoken if one.candidate.image_id == number], readers[number])
    ]


def _list_readers(session: Session, specimen_id: int, image_ids: Sequence[int]) -> dict[int, set[int]]:
    """Who read each image through, as far as can be told."""
    is_looked_at_again = any(
        state.closing is not None and state.closing.closed_by != state.look.asked_by
        for state in specimens.list_second_looks(session, specimen_id)
    )
    readers: dict[int, set[int]] = {number: set() for number in image_ids}
    for state in reading.list_reads(session, image_ids):
        is_locked = state.read.mode == "unaided" and state.lock is not None
        if is_locked or (is_looked_at_again and not state.is_withholding):
            readers[state.read.image_id].add(state.read.reader_id)
    return readers


def _find_in(spoken: Sequence[Spoken], readers: set[int]) -> list[DrawnAlone]:
    found = []
    for one in spoken:
        drawer = one.candidate.drawn_by
        if drawer not in readers or not _is_one_persons(one, drawer):
            continue
        # Another reader's mark at the same place, on a box of its own, speaks of the same object.
        others = [other for other in spoken if any(mark.reader_id != drawer for mark in other.marks)]
        if not match_finds(boxes_of([one]), boxes_of(others)):
            found.append(DrawnAlone(one, tuple(sorted(readers - {drawer}))))
    return found


def _is_one_persons(one: Spoken, drawer: int) -> bool:
    """Whether nobody but its drawer spoke of it, who still says that something is there."""
    answer = current_answer(one)
    is_alone = not one.adjudications and all(mark.reader_id == drawer for mark in one.marks)
    return is_alone and answer is not None and answer.answer != "reject"
