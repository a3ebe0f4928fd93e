"""Who works in a hospital, as what; and new passwords for those who lost theirs."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import AdministratorDep, DatabaseDep, IdPath, UserDep, WholePartsDep
from service.errors import ConflictError
from service.routes.links import present_link
from service.schemas import NewLink, RoleIn, UserOut
from service.store import event_log, people
from service.store.database import Session
from service.store.models import User

router = APIRouter(tags=["users"])


@router.get("/users")
def list_users(user: UserDep, database: DatabaseDep) -> list[UserOut]:
    """Everybody who works in your hospital, by name."""
    with database.read() as session:
        return [UserOut.model_validate(row) for row in people.list_users(session, user.hospital_id)]


@router.put("/users/{user_id}/role")
def change_role(user_id: IdPath, body: RoleIn, user: AdministratorDep, database: DatabaseDep) -> UserOut:
    """Give somebody another role in your hospital; an administrator remains."""
    with database.write() as session:
        changed = _keep_an_administrator(session, user_id, user, body.role)
        people.set_role(session, user_id=changed.id, hospital_id=user.hospital_id, role=body.role)
        return UserOut(id=changed.id, display_name=changed.display_name, role=body.role)


@router.delete("/users/{user_id}", status_code=status.HTTP_204_NO_CONTENT)
def end_role(user_id: IdPath, user: AdministratorDep, database: DatabaseDep) -> None:
    """Let somebody work in your hospital no more; what they said stays on record under their name."""
    with database.write() as session:
        _keep_an_administrator(session, user_id, user, None)
        people.end_role(session, user_id=user_id, hospital_id=user.hospital_id)


@router.post("/users/{user_id}/password-link", status_code=status.HTTP_201_CREATED)
def offer_new_password(user_id: IdPath, user: AdministratorDep, parts: WholePartsDep) -> NewLink:
    """A link with which somebody of your hospital sets a new password, once; hand it over yourself."""
    return present_link(*parts.accounts.offer_new_password(user, user_id))


def _keep_an_administrator(session: Session, user_id: int, by: User, role: str | None) -> User:
    """The person who is to be changed, where an administrator remains afterwards."""
    event_log.note_actor(session, by.id)
    people.lock_hospital(session, by.hospital_id)
    changed = people.read_user(session, user_id)
    is_last = people.count_with_role(session, hospital_id=by.hospital_id, role="administrator") == 1
    if changed.role == "administrator" and role != "administrator" and is_last:
        raise ConflictError(
            f"{changed.display_name} is the only administrator here. Make somebody else one before."
        )
    return changed
