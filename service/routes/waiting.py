"""The list of what waits."""

from __future__ import annotations

from fastapi import APIRouter

from service.dependencies import DatabaseDep, UserDep
from service.present import view_for
from service.reading_schemas import WaitingOut
from service.waiting import list_waiting

router = APIRouter(tags=["waiting"])


@router.get("/waiting")
def read_waiting(user: UserDep, database: DatabaseDep) -> list[WaitingOut]:
    """What waits for whom, the longest first; `is_mine` says what you may do yourself."""
    with database.read() as session:
        return list_waiting(view_for(session, user))
