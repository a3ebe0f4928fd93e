"""Response bodies of the figures of readers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from service.schemas import Answered, Person


class ShareOut(Answered):
    """`n` out of `of` with Wilson's 95 % interval; `is_few` says that there are too few to say much."""

    n: int
    of: int
    share: float | None
    interval: tuple[float, float]
    is_few: bool


class FindingOut(Answered):
    """What a reader found of what held at sign-off, and what of the reader's own finds held."""

    n_pictures: int
    found: ShareOut
    right_group: ShareOut
    upheld: ShareOut


class ChangedOut(Answered):
    """Objects by whether they were right alone, and right with the proposals in sight."""

    n_pictures: int
    stayed_right: int
    became_right: int
    became_wrong: int
    stayed_wrong: int


class ReaderFiguresOut(Answered):
    """The figures of one reader."""

    reader: Person
    unaided: FindingOut
    aided: FindingOut
    changed: ChangedOut


class PairOut(Answered):
    """Two readers who answered the same objects, each on their own."""

    readers: tuple[Person, Person]
    same: ShareOut
    kappa: Annotated[float | None, Field(description="Cohen's; null where it isn't defined.")]


class DifferenceOut(Answered):
    """Two answers to one object, and how often."""

    one: str
    other: str
    n: int


class AgreementOut(Answered):
    """How far readers agree over the objects that two or more answered on their own."""

    n_objects: int
    n_readers: int
    n_specimens: int
    is_few: bool
    alpha: Annotated[float | None, Field(description="Krippendorff's, nominal.")]
    fleiss: Annotated[float | None, Field(description="Over `n_fleiss` objects with `readers_each` answers.")]
    n_fleiss: int
    readers_each: int
    pairs: list[PairOut]
    differences: list[DifferenceOut]


class ReadersOut(Answered):
    """Agreement, and the readers by name; a reader is shown no other reader's figures."""

    agreement: AgreementOut
    readers: list[ReaderFiguresOut]
    notes: list[str]
