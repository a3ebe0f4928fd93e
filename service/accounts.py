"""Who is asking: passwords, sign-ins, tokens, roles."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import timedelta

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from service.errors import NotAllowedError, SignedOutError, TooManyTriesError
from service.store import people
from service.store.database import Database
from service.store.models import Token, User, utc_now
from triage.errors import RecordError

# Each role may do what those before it may.
ROLES = ("assistant", "reader", "veterinarian", "administrator")
MIN_PASSWORD_LENGTH = 10
# Failed sign-ins from one address, whatever the user name, for each one allowed by name.
ADDRESS_FACTOR = 10

_PASSWORDS = PasswordHash((Argon2Hasher(),))
# Checked when the user name is unknown, so that the answer takes as long as for a known one.
_NOBODY = _PASSWORDS.hash("nobody has this password")


def hash_password(password: str) -> str:
    """A password as Argon2 hash.

    Raises
    ------
    RecordError
        If it is too short.
    """
    if len(password) < MIN_PASSWORD_LENGTH:
        raise RecordError(f"The password has {len(password)} characters; use {MIN_PASSWORD_LENGTH} or more.")
    return _PASSWORDS.hash(password)


def check_role(role: str) -> str:
    """The role, if there is such a one.

    Raises
    ------
    RecordError
        If there is none.
    """
    if role not in ROLES:
        raise RecordError(f"There is no role {role!r}. Use one of: {', '.join(ROLES)}.")
    return role


def has_role(user: User, role: str) -> bool:
    """Whether a person may do what `role` may."""
    return ROLES.index(user.role) >= ROLES.index(role)


def require_role(user: User, role: str) -> None:
    """Let nobody below `role` pass.

    Raises
    ------
    NotAllowedError
        If the person's role is below it.
    """
    if not has_role(user, role):
        raise NotAllowedError(f"Your role is {user.role!r}; this needs the role {role!r} or one above it.")


@dataclass(frozen=True)
class SignedIn:
    """A person with the token of the sign-in; the token goes into the cookie."""

    user: User
    token: str
    csrf_token: str


class Accounts:
    """Signs people in and out, and says whose token it is.

    Parameters
    ----------
    secret : bytes
        Key of all hashes; another key ends every sign-in and token.
    """

    def __init__(
        self, database: Database, secret: bytes, *, session_hours: float, tries_per_minute: int
    ) -> None:
        self._database = database
        self._secret = secret
        self._lifetime = timedelta(hours=session_hours)
        self._limiter = MovingWindowRateLimiter(MemoryStorage())
        self._by_name = RateLimitItemPerMinute(tries_per_minute)
        self._by_address = RateLimitItemPerMinute(tries_per_minute * ADDRESS_FACTOR)

    def sign_in(self, user_name: str, password: str, *, address: str) -> SignedIn:
        """Check a password and start a sign-in.

        Raises
        ------
        SignedOutError
            If the user name or the password is wrong; it doesn't say which.
        TooManyTriesError
            After too many failed tries.
        """
        self._refuse_many_tries(user_name, address)
        with self._database.read() as session:
            user = people.find_user_by_name(session, user_name)
        is_right = _PASSWORDS.verify(password, user.password_hash if user else _NOBODY)
        if user is None or not is_right:
            self._limiter.hit(self._by_name, user_name, address)
            self._limiter.hit(self._by_address, address)
            raise SignedOutError("The user name or the password is wrong. Try again.")
        return self._start(user)

    def sign_out(self, token: str) -> None:
        """End the sign-in of a cookie."""
        with self._database.write() as session:
            people.end_sign_in(session, self._hash("cookie", token))

    def user_of_cookie(self, token: str) -> User:
        """The person of a cookie.

        Raises
        ------
        SignedOutError
            If the sign-in has ended.
        """
        with self._database.read() as session:
            user = people.find_user_by_sign_in(session, self._hash("cookie", token))
        if user is None:
            raise SignedOutError("Your sign-in has ended. Sign in again.")
        return user

    def csrf_token(self, token: str) -> str:
        """What a page must send beside the cookie with every change."""
        return self._hash("csrf", token)

    def check_csrf(self, token: str, received: str | None) -> None:
        """Refuse a change that does not come from our own page.

        Raises
        ------
        NotAllowedError
            If the header is missing or wrong.
        """
        expected = self.csrf_token(token).encode()
        if received is None or not hmac.compare_digest(expected, received.encode("utf-8", "replace")):
            raise NotAllowedError("The header X-CSRF-Token is missing or wrong. Load the page again.")

    def add_token(self, user: User, name: str) -> tuple[Token, str]:
        """A new bearer token: its record, and the token itself, which is not kept."""
        token = secrets.token_urlsafe(32)
        with self._database.write() as session:
            row = people.add_token(
                session, user_id=user.id, name=name, token_hash=self._hash("bearer", token)
            )
        return row, token

    def user_of_bearer(self, token: str) -> User:
        """The person of a bearer token.

        Raises
        ------
        SignedOutError
            If there is no such token or it was revoked.
        """
        with self._database.read() as session:
            user = people.find_user_by_token(session, self._hash("bearer", token))
        if user is None:
            raise SignedOutError("The bearer token is unknown or revoked. Make a new one.")
        return user

    def _start(self, user: User) -> SignedIn:
        token = secrets.token_urlsafe(32)
        with self._database.write() as session:
            people.add_sign_in(
                session,
                user_id=user.id,
                token_hash=self._hash("cookie", token),
                expires_at=utc_now() + self._lifetime,
            )
        return SignedIn(user, token, self.csrf_token(token))

    def _refuse_many_tries(self, user_name: str, address: str) -> None:
        is_open = self._limiter.test(self._by_name, user_name, address) and self._limiter.test(
            self._by_address, address
        )
        if not is_open:
            raise TooManyTriesError("Too many failed sign-ins. Wait a minute and try again.")

    def _hash(self, purpose: str, token: str) -> str:
        message = f"{purpose}:{token}".encode("utf-8", "replace")
        return hmac.new(self._secret, message, hashlib.sha256).hexdigest()
