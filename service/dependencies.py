"""What routes ask for: the parts of the service, and who is asking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Path, Request
from fastapi.security import APIKeyCookie, HTTPBearer
from fastapi.security.http import HTTPAuthorizationCredentials

from service.accounts import Accounts, require_role
from service.errors import SignedOutError
from service.files import Files
from service.jobs import Jobs
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


def _parts(request: Request) -> Parts:
    parts: Parts = request.app.state.parts
    return parts


PartsDep = Annotated[Parts, Depends(_parts)]


def _database(parts: PartsDep) -> Database:
    return parts.database


def _session_token(
    request: Request, parts: PartsDep, cookie: Annotated[str | None, Depends(_COOKIE)]
) -> str | None:
    """The cookie's token, after the page proved itself where something is changed."""
    if cookie is not None and request.method not in SAFE_METHODS:
        parts.accounts.user_of_cookie(cookie)
        parts.accounts.check_csrf(cookie, request.headers.get("X-CSRF-Token"))
    return cookie


def _user(
    parts: PartsDep,
    request: Request,
    cookie: Annotated[str | None, Depends(_COOKIE)],
    bearer: Annotated[HTTPAuthorizationCredentials | None, Depends(_BEARER)],
) -> User:
    if bearer is not None:
        return parts.accounts.user_of_bearer(bearer.credentials)
    token = _session_token(request, parts, cookie)
    if token is None:
        raise SignedOutError("Nobody is signed in. Sign in, or send a bearer token.")
    return parts.accounts.user_of_cookie(token)


DatabaseDep = Annotated[Database, Depends(_database)]
SessionTokenDep = Annotated[str | None, Depends(_session_token)]
UserDep = Annotated[User, Depends(_user)]
IdPath = Annotated[int, Path(ge=1, le=MAX_ID)]


def _reader(user: UserDep) -> User:
    require_role(user, "reader")
    return user


ReaderDep = Annotated[User, Depends(_reader)]
