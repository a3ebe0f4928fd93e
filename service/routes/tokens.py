"""Bearer tokens for programs."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import DatabaseDep, IdPath, PartsDep, UserDep
from service.schemas import NewToken, TokenIn, TokenOut
from service.store import people

router = APIRouter(tags=["tokens"])


@router.post("/tokens", status_code=status.HTTP_201_CREATED)
def add_token(body: TokenIn, user: UserDep, parts: PartsDep) -> NewToken:
    """A new token with its owner's role; it is shown this once."""
    row, token = parts.accounts.add_token(user, body.name)
    return NewToken(id=row.id, name=row.name, created_at=row.created_at, token=token)


@router.get("/tokens")
def list_tokens(user: UserDep, database: DatabaseDep) -> list[TokenOut]:
    """Your own tokens."""
    with database.read() as session:
        return [TokenOut.model_validate(row) for row in people.list_tokens(session, user.id)]


@router.delete("/tokens/{token_id}", status_code=status.HTTP_204_NO_CONTENT)
def revoke_token(token_id: IdPath, user: UserDep, database: DatabaseDep) -> None:
    """End one of your own tokens."""
    with database.write() as session:
        people.revoke_token(session, user_id=user.id, token_id=token_id)
