"""Bodies of sign-off, amendments and the log."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from pydantic import AfterValidator, Field, StringConstraints

from service.schemas import Answered, Body, Person, _without_control_characters


class AmendmentIn(Body):
    """Why a signed record is opened again."""

    reason: Annotated[
        str,
        StringConstraints(strip_whitespace=True, min_length=3, max_length=1000),
        AfterValidator(_without_control_characters),
    ]


class AmendmentOut(Answered):
    """A signed record opened again; `number` is the version that it leads to."""

    number: int
    reason: str
    opened_by: Person
    opened_at: datetime


class ChangeOut(Answered):
    """One thing that a version says otherwise than the one before it."""

    image_id: int | None
    candidate_id: int | None
    before: dict[str, Any] | None
    after: dict[str, Any] | None
    by: Annotated[Person | None, Field(description="Who gave the answer that holds now.")]


class VersionOut(Answered):
    """A signed version of a specimen's record."""

    number: int
    signed_by: Person
    signed_at: datetime
    remark: str | None
    amendment: AmendmentOut | None
    changes: list[ChangeOut]


class VersionsOut(Answered):
    """The signed versions, oldest first, and the amendment that is open now."""

    versions: list[VersionOut]
    open_amendment: AmendmentOut | None


class EventOut(Answered):
    """An entry of the log."""

    number: int
    at: datetime
    who: Annotated[Person | None, Field(description="Null: the service itself.")]
    what: str
    table: str
    row: int
    before: dict[str, Any] | None
    after: dict[str, Any] | None
    sha256: str


class LogCheckOut(Answered):
    """Whether a hospital's log, and the records that it tells of, are as they were written."""

    hospital_id: int
    is_intact: bool
    entries: int
    head_sha256: Annotated[
        str, Field(description="Of the last entry; kept elsewhere it shows later that nothing was changed.")
    ]
    faults: list[str]
