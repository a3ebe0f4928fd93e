"""What share of the objects a reader with the tool marks, measured in this hospital by blind second looks.

A closed blind second look is a second, independent search of the same pictures. Of the objects that the
second reader confirmed and that were still confirmed at sign-off, some share had been confirmed by the first
reading: it estimates what a first reading finds. What both miss alike, as both see the same proposals, is not
in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import betaincinv

from service.objects_counted import Counted, count_objects
from service.store import images, reading, specimens
from service.store.database import Session
from service.store.models import MarkRow
from service.store.specimens import SecondLookState

# Fewer objects say too little (our choice, no source).
LEAST_OBJECTS = 30
# The newest second looks; older ones speak of other people and another tool.
_MOST_LOOKS = 500
_LOWER_LEVEL = 0.05


@dataclass(frozen=True)
class Sensitivity:
    """A measured share.

    Attributes
    ----------
    n_objects, n_found : int
        Objects that second readers confirmed, and those of them that the first reading had confirmed.
    lower : float
        One-sided lower 95 % limit of the share; limits are worked out with it, to be on the safe side.
    is_of_group : bool
        Whether it was measured on the group itself, or on all groups together.
    """

    n_objects: int
    n_found: int
    lower: float
    is_of_group: bool


@dataclass(frozen=True)
class MeasuredSensitivities:
    """Objects found again, by group."""

    found: dict[str, tuple[int, int]]

    def of_group(self, group: str) -> Sensitivity | None:
        """For one group, else for all together; None where too few objects were seen twice."""
        n_found, n_objects = self.found.get(group, (0, 0))
        if n_objects >= LEAST_OBJECTS:
            return Sensitivity(n_objects, n_found, lower_share(n_found, n_objects), True)
        n_found, n_objects = self.pooled()
        if n_objects >= LEAST_OBJECTS:
            return Sensitivity(n_objects, n_found, lower_share(n_found, n_objects), False)
        return None

    def pooled(self) -> tuple[int, int]:
        """Objects found, and all objects, of all groups together."""
        return (sum(one[0] for one in self.found.values()), sum(one[1] for one in self.found.values()))


def lower_share(n_found: int, n_objects: int) -> float:
    """One-sided exact lower 95 % limit of a share.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413 (from memory).
    """
    return float(betaincinv(n_found, n_objects - n_found + 1, _LOWER_LEVEL)) if n_found else 0.0


def measure_sensitivities(session: Session) -> MeasuredSensitivities:
    """What blind second looks of signed specimens came to, by group."""
    signed = set(specimens.signed_off_ids(session))
    looks = [
        state
        for state in specimens.list_second_looks(session)
        if state.closing is not None and state.look.is_blind and state.look.specimen_id in signed
    ]
    found: dict[str, tuple[int, int]] = {}
    for state in looks[-_MOST_LOOKS:]:
        for group, is_found in _compare_reads(session, state):
            n_found, n_objects = found.get(group, (0, 0))
            found[group] = (n_found + is_found, n_objects + 1)
    return MeasuredSensitivities(found)


def _compare_reads(session: Session, state: SecondLookState) -> list[tuple[str, bool]]:
    """Each object that the second reader confirmed: its group, and whether the first reading had it."""
    assert state.closing is not None
    second, asked_at, closed_at = state.closing.closed_by, state.look.created_at, state.closing.closed_at
    image_ids = [
        one.image.id
        for one in images.list_image_states(session, [state.look.specimen_id])[state.look.specimen_id]
    ]
    spoken = reading.list_spoken(session, image_ids)
    was_read = any(
        mark.reader_id != second and mark.created_at < asked_at for one in spoken for mark in one.marks
    )
    if not was_read:
        return []
    seen = []
    for one in count_objects(spoken):
        by_second = [
            mark
            for mark in _marks(one)
            if mark.reader_id == second and asked_at <= mark.created_at <= closed_at
        ]
        if _is_confirmed(by_second):
            first = [mark for mark in _marks(one) if mark.reader_id != second and mark.created_at < asked_at]
            seen.append((one.group, _is_confirmed(first)))
    return seen


def _marks(one: Counted) -> list[MarkRow]:
    return [mark for spoken in one.spoken for mark in spoken.marks]


def _is_confirmed(marks: Sequence[MarkRow]) -> bool:
    return any(mark.answer == "confirm" for mark in marks)
