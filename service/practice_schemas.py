"""Request and response bodies of practice."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from service.schemas import Answered, Body, FilledLine, Id, Name, Person, Real, UserOut

Result = Literal["right", "other group", "missed", "nothing labelled there", "not counted"]


class OwnSetIn(Body):
    """One of the hospital's own labelled sets, and what the collection is to be called."""

    set_id: Id
    name: FilledLine


class PracticeRuleIn(Body):
    """How much practice comes before somebody reads alone; 0 objects ask for none."""

    objects_per_group: Annotated[int, Field(ge=0, le=1000)]
    share_right: Annotated[Real, Field(ge=0, le=1)]


class PracticeRuleOut(Answered):
    """A rule with who made it; the newest holds."""

    id: int
    objects_per_group: int
    share_right: float
    created_at: datetime
    created_by: Person


class FindIn(Body):
    """A box, `x, y, width, height` in pixels of the picture, and what it resembles."""

    bbox: Annotated[list[Real], Field(min_length=4, max_length=4)]
    group: Name


class FindOut(Answered):
    """A box of yours."""

    id: int
    bbox: list[float]
    group: str
    label: str


class KnownSizeOut(Answered):
    """The published range of one taxon; None where no source gives one."""

    taxon: str
    length_range_um: tuple[float, float] | None
    width_range_um: tuple[float, float] | None
    source: str


class AnswerOut(Answered):
    """What became of one object or one find, and why."""

    result: Result
    bbox: list[float]
    known: str | None
    known_label: str | None
    said: str | None
    said_label: str | None
    reasons: list[str]
    sizes: list[KnownSizeOut]


class PracticeReadOut(Answered):
    """Your read of a slide; `answers` once it has ended."""

    id: int
    is_again: bool
    ended_at: datetime | None
    finds: list[FindOut]
    answers: list[AnswerOut]


class PracticeSlideOut(Answered):
    """A slide to practise on, with your newest read of it."""

    id: int
    number: int
    collection: str
    width: int
    height: int
    tile_size: int
    zoom_levels: int
    tiles_path: str
    um_per_px: float | None
    read: PracticeReadOut | None
    next_slide_id: Annotated[int | None, Field(description="The next slide that you have not ended.")]


class SlideStateOut(Answered):
    """How far you are with a slide; `n_right` of `n_known` objects once you ended your first read of it."""

    id: int
    number: int
    state: Literal["new", "begun", "done"]
    n_right: int | None
    n_known: int | None


class CollectionOut(Answered):
    """A practice collection with its slides."""

    id: int
    name: str
    is_own: Annotated[bool, Field(description="Whether it was made of the hospital's own signed specimens.")]
    created_at: datetime
    created_by: Person
    slides: list[SlideStateOut]


class StandingOut(Answered):
    """How far somebody has come in one group."""

    group: str
    label: str
    n_seen: int
    n_needed: int
    n_right: int
    n_recent: int
    share_needed: float
    is_enough: bool
    curve: Annotated[
        list[tuple[int, float]], Field(description="After so many objects, the share right of the last ten.")
    ]


class PracticeStandingOut(Answered):
    """How far a person has come, and whether second looks are asked of others meanwhile."""

    person: UserOut
    is_asked: Annotated[bool, Field(description="Whether the rule speaks of this person's role.")]
    is_learning: bool
    groups: list[StandingOut]


class LearnerNoteOut(Answered):
    """Who read a specimen while still learning; `looked_again_at` once the second look is done."""

    reader: Person
    created_at: datetime
    looked_again_at: datetime | None
    words: str
