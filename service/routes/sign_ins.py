"""One's own sign-ins, in whatever browsers."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import DatabaseDep, IdPath, PersonDep, SessionTokenDep, WholePartsDep
from service.schemas import SignInOut
from service.store import people

router = APIRouter(tags=["session"])


@router.get("/sign-ins")
def list_sign_ins(user: PersonDep, token: SessionTokenDep, parts: WholePartsDep) -> list[SignInOut]:
    """Your sign-ins that have not ended, last used first."""
    assert token is not None
    rows, own_id = parts.accounts.list_sign_ins(user, token)
    return [
        SignInOut(
            id=row.id,
            address=row.address,
            browser=row.browser,
            created_at=row.created_at,
            last_used_at=row.last_used_at,
            expires_at=row.expires_at,
            this_one=row.id == own_id,
        )
        for row in rows
    ]


@router.delete("/sign-ins/{sign_in_id}", status_code=status.HTTP_204_NO_CONTENT)
def end_sign_in(sign_in_id: IdPath, user: PersonDep, database: DatabaseDep) -> None:
    """End one of your own sign-ins."""
    with database.write() as session:
        people.end_own_sign_in(session, user_id=user.id, sign_in_id=sign_in_id)
