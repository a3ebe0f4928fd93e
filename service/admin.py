"""What an administrator does at the command line."""

from __future__ import annotations

from service.accounts import check_role, hash_password
from service.files import Files
from service.settings import Settings
from service.store import people
from service.store.database import Database
from service.store.models import User
from triage.errors import RecordError


def create_user(settings: Settings, user_name: str, display_name: str, role: str, password: str) -> User:
    """A new person who can sign in.

    Raises
    ------
    RecordError
        If a name is empty, there is no such role, or the password is too short.
    ConflictError
        If the user name is taken.
    """
    for kind, name in (("user name", user_name), ("display name", display_name)):
        if not name.strip():
            raise RecordError(f"The {kind} is empty. Give the name that this person goes by.")
    password_hash = hash_password(password)
    Files(settings.data_folder)
    database = Database(settings.records_url())
    try:
        database.migrate()
        with database.write() as session:
            return people.add_user(
                session,
                user_name=user_name,
                display_name=display_name,
                role=check_role(role),
                password_hash=password_hash,
            )
    finally:
        database.close()
