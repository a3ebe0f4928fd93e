"""The log of all changes: a specimen's own, a check, an export."""

from __future__ import annotations

import json
from collections.abc import Iterator

from fastapi import APIRouter
from fastapi.responses import StreamingResponse

from service.accounts import require_role
from service.dependencies import DatabaseDep, IdPath, UserDep
from service.event_check import check_log, check_unlogged, export_lines
from service.hiding import refuse_if_hidden
from service.present import View, view_for
from service.signing_schemas import EventOut, LogCheckOut
from service.store import event_log, specimens
from service.store.event_log import EventRow

router = APIRouter(tags=["log"])


@router.get("/specimens/{specimen_id}/events")
def list_events(specimen_id: IdPath, user: UserDep, database: DatabaseDep) -> list[EventOut]:
    """All that happened to a specimen, oldest first."""
    with database.read() as session:
        specimens.read_specimen(session, specimen_id)
        view = view_for(session, user)
        refuse_if_hidden(view, specimen_id)
        return [_present(view, row) for row in event_log.list_entries(session, specimen_id=specimen_id)]


@router.get("/events/check")
def check_events(user: UserDep, database: DatabaseDep) -> list[LogCheckOut]:
    """Whether the log and the records are as they were written, hospital by hospital."""
    require_role(user, "administrator")
    with database.read() as session:
        unlogged = check_unlogged(session)
        checks = [
            check_log(session, one) for one in event_log.list_hospitals(session) if one == user.hospital_id
        ]
    return [
        LogCheckOut(
            hospital_id=one.hospital_id or 0,
            is_intact=not one.faults and not unlogged,
            entries=one.entries,
            head_sha256=one.head_sha256,
            faults=[*one.faults, *unlogged],
        )
        for one in checks
    ]


@router.get("/events.jsonl", response_class=StreamingResponse)
def export_events(user: UserDep, database: DatabaseDep) -> StreamingResponse:
    """The log of your hospital as JSON lines, each entry with its hash."""
    require_role(user, "administrator")

    def lines() -> Iterator[str]:
        with database.read() as session:
            yield from export_lines(session, user.hospital_id)

    headers = {"Content-Disposition": 'attachment; filename="events.jsonl"'}
    return StreamingResponse(lines(), media_type="application/x-ndjson", headers=headers)


def _present(view: View, row: EventRow) -> EventOut:
    content = json.loads(row.content)
    return EventOut(
        number=row.number,
        at=content["at"],
        who=None if content["who"] is None else view.person(content["who"]),
        what=content["what"],
        table=content["table"],
        row=content["row"],
        before=content["before"],
        after=content["after"],
        sha256=row.sha256,
    )
