"""What whoever runs the service does at the command line."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from service.accounts import Accounts, check_role, hash_password
from service.files import Files
from service.settings import Settings, read_session_secret
from service.store import people
from service.store.database import Database
from service.store.models import User
from triage.errors import RecordError


def create_user(
    settings: Settings,
    user_name: str,
    display_name: str,
    role: str,
    password: str,
    *,
    hospital: str | None = None,
) -> User:
    """A new person who can sign in, in the hospital of that name (made if there is none; unset: the first).

    Raises
    ------
    RecordError
        If a name is empty, there is no such role, or the password is too short.
    ConflictError
        If the user name is taken.
    """
    names = (("user name", user_name), ("display name", display_name), ("hospital's name", hospital))
    for kind, name in names:
        if name is not None and not name.strip():
            raise RecordError(f"The {kind} is empty. Give the name that is gone by.")
    password_hash = hash_password(password)
    with _records(settings) as database, database.write() as session:
        where = None if hospital is None else people.find_or_add_hospital(session, hospital).id
        return people.add_user(
            session,
            user_name=user_name,
            display_name=display_name,
            role=check_role(role),
            password_hash=password_hash,
            hospital_id=where,
        )


def name_first_hospital(settings: Settings, name: str) -> None:
    """Call the hospital that was there first by its name."""
    with _records(settings) as database, database.write() as session:
        people.first_hospital(session).name = name


def make_password_link(settings: Settings, user_name: str) -> str:
    """The path of a link with which that person sets a new password, once.

    Raises
    ------
    MissingError
        If nobody who works here has that user name.
    """
    with _records(settings) as database:
        accounts = Accounts(
            database,
            read_session_secret(settings),
            session_hours=settings.session_hours,
            tries_per_minute=settings.sign_in_tries_per_minute,
            link_hours=settings.link_hours,
        )
        return f"/join#{accounts.offer_new_password_from_outside(user_name)[1]}"


@contextmanager
def _records(settings: Settings) -> Iterator[Database]:
    Files(settings.data_folder)
    database = Database(settings.records_url())
    try:
        database.migrate()
        yield database
    finally:
        database.close()
