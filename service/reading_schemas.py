"""Request and response bodies of reading: places, differences, calls, offers, sheets, what waits."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from service.schemas import Answered, Body, FilledLine, Id, MarkOut, Name, Person, Real, Remark

Rule = Literal["unaided_first", "aided_allowed"]
FilledRemark = Annotated[Remark, Field(min_length=1)]
Direction = Literal["toward_tool", "away_from_tool", "neither"]


class PlaceIn(Body):
    """The middle of what a reader looks at, how large, and which stop of a guided read it is."""

    x: Annotated[Real, Field(ge=0)]
    y: Annotated[Real, Field(ge=0)]
    screen_per_px: Annotated[Real, Field(gt=0, le=64)]
    stop: Annotated[int, Field(ge=0, le=1_000_000)] | None = None
    group: Name | None = None


class ViewIn(Body):
    """What was in sight: `x, y, width, height` in pixels of the picture; screen pixels a pixel."""

    bbox: Annotated[list[Real], Field(min_length=4, max_length=4)]
    screen_per_px: Annotated[Real, Field(gt=0, le=64)]


class SightIn(Body):
    """What was on the screen since the last time, and where the reader is now."""

    views: list[ViewIn] = Field(default_factory=list, max_length=200)
    place: PlaceIn | None = None


class PlaceOut(Answered):
    """Where a reader was."""

    x: float
    y: float
    screen_per_px: float
    stop: int | None
    group: str | None


class SizedGroupOut(Answered):
    """How large a picture must be on the screen to show a group."""

    name: str
    label: str
    smallest_width_um: float
    least_screen_per_px: Annotated[
        float | None,
        Field(description="Null where the picture's own pixels are too few, or no scale is known."),
    ]
    shown_fraction: Annotated[
        float | None, Field(description="Share of the cells that have been on screen so large.")
    ]


class SightOut(Answered):
    """What of a picture has been on the asking reader's screen, in square cells row by row."""

    cell_px: int
    columns: int
    rows: int
    group: Annotated[str | None, Field(description="The group that `shown` is about; null without a scale.")]
    least_screen_per_px: float
    shown: Annotated[list[str], Field(description="A text for each row: 1 where it was large enough.")]
    groups: list[SizedGroupOut]
    place: PlaceOut | None
    changed_at: datetime | None


class RuleIn(Body):
    """Whether a specimen is read unaided first or may be read with proposals at once, and why."""

    rule: Rule
    reason: FilledLine


class RuleOut(Answered):
    """A rule on record; the newest holds."""

    id: int
    rule: Rule
    reason: str
    created_by: Person
    created_at: datetime
    of_hospital: Annotated[bool, Field(description="The hospital's own, as it held at the filing.")]


class PairOut(Answered):
    """An own find and the tool's candidate at its place."""

    object_id: int
    candidate_id: int
    object_group: str
    candidate_group: str
    below_cut: bool


class ChangeOut(Answered):
    """A mark after the lock that says something else than before."""

    candidate_id: int
    mark: MarkOut
    before_answer: Annotated[str | None, Field(description="Null where nothing was said before.")]
    before_group: str | None
    direction: Direction


class DifferencesOut(Answered):
    """A locked unaided read beside the tool's proposals."""

    read_id: int
    locked_at: datetime
    both: list[PairOut]
    only_reader: Annotated[list[int], Field(description="Ids of own finds.")]
    only_tool: Annotated[list[int], Field(description="Ids of candidates above the cut, in rank order.")]
    changes: list[ChangeOut]


class CallIn(Body):
    """What the reader sees, in own words."""

    words: FilledRemark


class CallOut(Answered):
    """An object that a reader can't place."""

    id: int
    candidate_id: int
    image_id: int
    words: str
    created_by: Person
    created_at: datetime
    answer: str | None
    answered_by: Person | None
    answered_at: datetime | None


class OfferOut(Answered):
    """An answer that one of the readers who differ offers; it holds once nobody is left who has to agree."""

    id: int
    candidate_id: int
    answer: str
    group: str | None
    reason: str | None
    remark: str | None
    reader: Person
    created_at: datetime
    lacks: list[Person]
    settled: bool


class SheetIn(Body):
    """The rank at which the tail begins."""

    from_rank: Annotated[int, Field(ge=1)]


class SheetViewIn(Body):
    """Candidates that were on the screen."""

    candidate_ids: Annotated[list[Id], Field(min_length=1, max_length=1000)]


class SheetRejectionIn(Body):
    """The look-alike that all of them are rejected as."""

    reason: Name


class SheetOut(Answered):
    """Unmarked candidates from one place of the ranking to its end."""

    id: int
    image_id: int
    reader: Person
    candidate_ids: list[int]
    unseen: list[int]
    reason: Annotated[str | None, Field(description="What all were rejected as, in one act.")]
    rejected_at: datetime | None
    mark_ids: list[int]


class ElsewhereOut(Answered):
    """The place of an object in another picture of the same scan."""

    image_id: int
    file_name: str
    is_mosaic: bool
    x: float
    y: float
    candidate_id: Annotated[int | None, Field(description="What is marked there, unless it is withheld.")]
    candidate_name: str | None


class ExampleOut(Answered):
    """A candidate of a signed-off specimen of this hospital."""

    candidate_id: int
    specimen_code: str
    length_um: float | None
    width_um: float | None


class LikenessOut(Answered):
    """What a candidate may be mistaken for, in words and in examples from this hospital."""

    name: str
    kind: Literal["candidate", "look_alike"]
    label: str
    appearance: str
    examples: list[ExampleOut]


class WaitingOut(Answered):
    """Something that waits for somebody; `waits_for` null: whoever may."""

    kind: Literal["second_look", "differing_marks", "drawn_alone", "settling_offer", "doctor_call"]
    id: int
    specimen_id: int
    specimen_code: str
    image_id: int | None
    file_name: Annotated[str | None, Field(description="Of the picture, as it was uploaded.")]
    candidate_id: int | None
    rank: Annotated[int | None, Field(description="Of a candidate of the detector in its picture.")]
    object_number: Annotated[
        int | None, Field(description="Place of an added object, not taken back, in its picture, from 1.")
    ]
    asked_by: Person | None
    waits_for: Person | None
    role: Annotated[str, Field(description="The least role that may do it.")]
    since: datetime
    words: str | None
    is_mine: bool
    may_be_taken: Annotated[bool, Field(description="A second look that is nobody's yet.")]
    may_be_given_back: Annotated[
        bool, Field(description="A second look that its reader took, where you may give it back.")
    ]
    blind: bool
