"""What routes ask for: the parts of the service, and who is asking."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated

from fastapi import Depends, Path, Request
from fastapi.security import APIKeyCookie, HTTPBearer
from fastapi.security.http import HTTPAuthorizationCredentials

from service.accounts import Accounts, require_role
from service.errors import NotAllowedError, SignedOutError
from service.files import Files
from service.jobs import Jobs
from service.ownership import refuse_others
from service.schemas import MAX_ID
from service.settings import Settings
from service.store.database import Database
from service.store.models import User

COOKIE = "coverslip_session"
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
_COOKIE = APIKeyCookie(name=COOKIE, auto_error=False)
_BEARER = HTTPBearer(auto_error=False)


@dataclass(frozen=True)
class Parts:
    """The parts of one service, kept in `app.state.parts`."""

    settings: Settings
    database: Database
    files: Files
    accounts: Accounts
    jobs: Jobs

    def within(self, hospital_id: int) -> Parts:
        """The same parts, with records of one hospital alone."""
        return replace(self, database=self.database.within(hospital_id))


def _whole(request: Request) -> Parts:
    parts: Parts = request.app.state.parts
    return parts


# Records of all hospitals: only for what is asked before anybody is known.
WholePartsDep = Annotated[Parts, Depends(_whole)]


def _session_token(cookie: Annotated[str | None, Depends(_COOKIE)]) -> str | None:
    return cookie


def _user(
    parts: WholePartsDep,
    request: Request,
    cookie: Annotated[str | None, Depends(_COOKIE)],
    bearer: Annotated[HTTPAuthorizationCredentials | None, Depends(_BEARER)],
) -> User:
    """Who asks, in the hospital they work in; what another hospital owns is not there for them."""
    if bearer is not None:
        user = parts.accounts.user_of_bearer(bearer.credentials)
    elif cookie is not None:
        user = parts.accounts.user_of_cookie(cookie)
        if request.method not in SAFE_METHODS:
            parts.accounts.check_csrf(cookie, request.headers.get("X-CSRF-Token"))
    else:
        raise SignedOutError("Nobody is signed in. Sign in, or send a bearer token.")
    with parts.database.read() as session:
        refuse_others(session, request.path_params, user.hospital_id)
    return user


SessionTokenDep = Annotated[str | None, Depends(_session_token)]
UserDep = Annotated[User, Depends(_user)]
IdPath = Annotated[int, Path(ge=1, le=MAX_ID)]


def _parts(parts: WholePartsDep, user: UserDep) -> Parts:
    return parts.within(user.hospital_id)


PartsDep = Annotated[Parts, Depends(_parts)]


def _database(parts: PartsDep) -> Database:
    return parts.database


DatabaseDep = Annotated[Database, Depends(_database)]


def _reader(user: UserDep) -> User:
    require_role(user, "reader")
    return user


def _veterinarian(user: UserDep) -> User:
    require_role(user, "veterinarian")
    return user


def _administrator(user: UserDep) -> User:
    _refuse_program(user)
    require_role(user, "administrator")
    return user


def _person(user: UserDep) -> User:
    _refuse_program(user)
    return user


def _refuse_program(user: User) -> None:
    if user.is_program:
        raise NotAllowedError("A program's token can't do this. Sign in with a password.")


ReaderDep = Annotated[User, Depends(_reader)]
VeterinarianDep = Annotated[User, Depends(_veterinarian)]
# Whoever holds a token must not make another, or change who else comes in.
AdministratorDep = Annotated[User, Depends(_administrator)]
PersonDep = Annotated[User, Depends(_person)]
