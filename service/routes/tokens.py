"""Bearer tokens for programs."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import DatabaseDep, IdPath, PersonDep, WholePartsDep
from service.schemas import NewToken, TokenIn, TokenOut
from service.store import people

router = APIRouter(tags=["tokens"])


@router.post("/tokens", status_code=status.HTTP_201_CREATED)
def add_token(body: TokenIn, user: PersonDep, parts: WholePartsDep) -> NewToken:
    """A new token for the hospital that you work in; it is shown this once."""
    row, token = parts.accounts.add_token(user, body.name, body.role)
    return NewToken(**TokenOut.model_validate(row).model_dump(), token=token)


@router.get("/tokens")
def list_tokens(user: PersonDep, database: DatabaseDep) -> list[TokenOut]:
    """Your own tokens for the hospital that you work in."""
    with database.read() as session:
        return [
            TokenOut.model_validate(row) for row in people.list_tokens(session, user.id, user.hospital_id)
        ]


@router.delete("/tokens/{token_id}", status_code=status.HTTP_204_NO_CONTENT)
def revoke_token(token_id: IdPath, user: PersonDep, database: DatabaseDep) -> None:
    """End one of your own tokens."""
    with database.write() as session:
        people.revoke_token(session, user_id=user.id, hospital_id=user.hospital_id, token_id=token_id)
