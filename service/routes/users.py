"""Who reads here."""

from __future__ import annotations

from fastapi import APIRouter

from service.dependencies import DatabaseDep, UserDep
from service.schemas import UserOut
from service.store import people

router = APIRouter(tags=["users"])


@router.get("/users")
def list_users(user: UserDep, database: DatabaseDep) -> list[UserOut]:
    """Everybody, by name."""
    with database.read() as session:
        return [UserOut.model_validate(row) for row in people.list_users(session)]
