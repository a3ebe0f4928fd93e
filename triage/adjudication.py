"""Which marks of one candidate differ, and what settles them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from triage.errors import RecordError
from triage.groups import find_group

ANSWERS = ("confirm", "reject", "unsure")


@dataclass(frozen=True)
class Mark:
    """What one reader says of one candidate.

    Attributes
    ----------
    number : int
        Rises with time; a later mark of the same reader replaces an earlier one, which is kept.
    reader : str
        Key of the reader.
    answer : str
        `confirm`, `reject` or `unsure`.
    group : str or None
        The group confirmed, or the look-alike that it was rejected as.
    """

    number: int
    reader: str
    answer: str
    group: str | None = None

    def __post_init__(self) -> None:
        if self.answer not in ANSWERS:
            raise RecordError(f"The answer is {self.answer!r}; it must be one of {', '.join(ANSWERS)}.")
        needed = {"confirm": "candidate", "reject": "look_alike"}.get(self.answer)
        if needed and (self.group is None or find_group(self.group).kind != needed):
            raise RecordError(
                f"The answer {self.answer!r} came with {self.group!r}; it needs the name of a "
                f"{needed.replace('_', '-')} group. Choose one from the list."
            )


@dataclass(frozen=True)
class Adjudication(Mark):
    """A mark that settles the marks before it; `reader` is who settled them."""


def current_marks(marks: Sequence[Mark]) -> tuple[Mark, ...]:
    """The last mark of each reader, oldest first; the order of `marks` doesn't matter."""
    last: dict[str, Mark] = {}
    for mark in sorted(marks, key=lambda mark: mark.number):
        last[mark.reader] = mark
    return tuple(sorted(last.values(), key=lambda mark: mark.number))


def is_different(mark: Mark, other: Mark) -> bool:
    """Whether two marks need settling: the answers differ, or both confirm different groups.

    Two readers who reject for different reasons agree on what counts.
    """
    if mark.answer != other.answer:
        return True
    return mark.answer == "confirm" and mark.group != other.group


def find_differing(marks: Sequence[Mark], adjudications: Sequence[Adjudication] = ()) -> tuple[Mark, ...]:
    """The current marks that still differ; empty where readers agree or an adjudication settled it.

    A mark made after the last adjudication opens the question again if it differs from what was settled.
    """
    current = current_marks(marks)
    if adjudications:
        last = max(adjudications, key=lambda one: one.number)
        return tuple(mark for mark in current if mark.number > last.number and is_different(mark, last))
    return current if any(is_different(mark, current[0]) for mark in current[1:]) else ()


def settle(marks: Sequence[Mark], adjudications: Sequence[Adjudication] = ()) -> Mark | None:
    """What holds: the last adjudication, else the mark agreed on; None while open or unmarked."""
    if find_differing(marks, adjudications):
        return None
    if adjudications:
        return max(adjudications, key=lambda one: one.number)
    current = current_marks(marks)
    return current[-1] if current else None
