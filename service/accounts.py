"""Who is asking: passwords, sign-ins, tokens, roles; and one-time links that let somebody in."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from service.errors import ConflictError, MissingError, NotAllowedError, SignedOutError, TooManyTriesError
from service.store import links, people
from service.store.database import Database, Session
from service.store.models import OneTimeLink, SignIn, Token, User, utc_now
from triage.errors import RecordError

# Each role may do what those before it may.
ROLES = ("assistant", "reader", "veterinarian", "administrator")
MIN_PASSWORD_LENGTH = 10
# Failed sign-ins from one address, whatever the user name, for each one allowed by name and address; and for
# one user name, from whatever addresses.
ADDRESS_FACTOR = 10
NAME_FACTOR = 10
# Not every request writes when a sign-in or a token was used.
NOTE_USE_EVERY = timedelta(minutes=1)
LINK_ENDED = "This link was used already, was taken back, or has ended. Ask an administrator for a new one."

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


def lower_role(one: str, other: str) -> str:
    """The role that may do less."""
    return min(one, other, key=ROLES.index)


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


@dataclass(frozen=True)
class LinkSeen:
    """What a one-time link offers: an invitation as `role`, or a new password for `user_name`."""

    kind: str
    hospital: str
    display_name: str
    role: str | None
    user_name: str | None


class Accounts:
    """Signs people in and out, says whose token it is, and lets people in by one-time links.

    Parameters
    ----------
    secret : bytes
        Key of all hashes; another key ends every sign-in, token and link.
    session_hours, idle_minutes : float
        When a sign-in ends: after its start, and after its last use.
    tries_per_minute : int
        Failed tries, for one user name from one address.
    link_hours : float
        When a one-time link ends.
    """

    def __init__(
        self,
        database: Database,
        secret: bytes,
        *,
        session_hours: float,
        tries_per_minute: int,
        idle_minutes: float = 60,
        link_hours: float = 72,
    ) -> None:
        self._database = database
        self._secret = secret
        self._lifetime = timedelta(hours=session_hours)
        self._idle = timedelta(minutes=idle_minutes)
        self._link_lifetime = timedelta(hours=link_hours)
        self._limiter = MovingWindowRateLimiter(MemoryStorage())
        self._by_both = RateLimitItemPerMinute(tries_per_minute)
        self._by_name = RateLimitItemPerMinute(tries_per_minute * NAME_FACTOR)
        self._by_address = RateLimitItemPerMinute(tries_per_minute * ADDRESS_FACTOR)

    def sign_in(self, user_name: str, password: str, *, address: str, browser: str = "") -> SignedIn:
        """Check a password and start a sign-in, in the first of the person's hospitals.

        Raises
        ------
        SignedOutError
            If the user name or the password is wrong (it doesn't say which), or the person has no role left.
        TooManyTriesError
            After too many failed tries.
        """
        user_id = self._check_password(user_name, password, address)
        token = secrets.token_urlsafe(32)
        with self._database.write() as session:
            places = people.memberships_of(session, user_id)
            if not places:
                raise SignedOutError("You have no role in any hospital now. Ask an administrator for one.")
            hospital_id = places[0][0].id
            people.add_sign_in(
                session,
                user_id=user_id,
                hospital_id=hospital_id,
                token_hash=self._hash("cookie", token),
                address=address,
                browser=browser,
                expires_at=utc_now() + self._lifetime,
            )
            user = people.find_user(session, user_id=user_id, hospital_id=hospital_id)
        assert user is not None
        return SignedIn(user, token, self.csrf_token(token))

    def sign_out(self, token: str) -> None:
        """End the sign-in of a cookie."""
        with self._database.write() as session:
            people.end_sign_in(session, self._hash("cookie", token))

    def user_of_cookie(self, token: str) -> User:
        """The person of a cookie, as they work in the hospital of the sign-in.

        Raises
        ------
        SignedOutError
            If the sign-in has ended.
        """
        with self._database.read() as session:
            found = people.find_sign_in(session, self._hash("cookie", token), used_since=self._used_since())
        if found is None:
            raise SignedOutError("Your sign-in has ended. Sign in again.")
        self._note_use(SignIn, found.row_id, found.last_used_at)
        return found.user

    def work_in(self, token: str, hospital_id: int) -> None:
        """Go on in another hospital of one's own.

        Raises
        ------
        MissingError
            If the person has no role there.
        """
        user = self.user_of_cookie(token)
        with self._database.write() as session:
            if people.find_user(session, user_id=user.id, hospital_id=hospital_id) is None:
                raise MissingError(f"You have no hospital {hospital_id}.")
            people.move_sign_in(session, token_hash=self._hash("cookie", token), hospital_id=hospital_id)

    def list_sign_ins(self, user: User, token: str) -> tuple[list[SignIn], int | None]:
        """A person's open sign-ins, and the id of the one that asks."""
        own = self._hash("cookie", token)
        with self._database.read() as session:
            rows = people.list_sign_ins(session, user.id, used_since=self._used_since())
        return rows, next((row.id for row in rows if row.token_hash == own), None)

    def change_password(self, user: User, old: str, new: str, *, address: str) -> None:
        """A new password of one's own; every sign-in ends, this one too. Tokens stay.

        Raises
        ------
        NotAllowedError
            If the old password is wrong.
        TooManyTriesError
            After too many wrong ones.
        RecordError
            If the new one is too short.
        """
        new_hash = hash_password(new)
        try:
            self._check_password(user.user_name, old, address)
        except SignedOutError as err:
            raise NotAllowedError("The password that you have now is another one. Try again.") from err
        with self._database.write() as session:
            people.change_password(session, user_id=user.id, password_hash=new_hash)

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

    def add_token(self, user: User, name: str, role: str | None = None) -> tuple[Token, str]:
        """A new bearer token for the hospital that the person works in; the token itself isn't kept.

        Raises
        ------
        NotAllowedError
            If `role` is above the person's own; None takes the person's own.
        """
        require_role(user, role or user.role)
        token = secrets.token_urlsafe(32)
        with self._database.write() as session:
            row = people.add_token(
                session,
                user_id=user.id,
                hospital_id=user.hospital_id,
                role=role or user.role,
                name=name,
                token_hash=self._hash("bearer", token),
            )
        return row, token

    def user_of_bearer(self, token: str) -> User:
        """The person of a bearer token, with the token's role or the own one, whichever may do less.

        Raises
        ------
        SignedOutError
            If there is no such token or it was revoked.
        """
        with self._database.read() as session:
            found = people.find_token(session, self._hash("bearer", token))
        if found is None or found.token_role is None:
            raise SignedOutError("The bearer token is unknown or revoked. Make a new one.")
        self._note_use(Token, found.row_id, found.last_used_at)
        return replace(found.user, role=lower_role(found.user.role, found.token_role), is_program=True)

    def invite(self, user: User, display_name: str, role: str) -> tuple[OneTimeLink, str]:
        """An invitation to the hospital that the person works in, and its secret, which isn't kept."""
        secret = secrets.token_urlsafe(32)
        with self._database.within(user.hospital_id).write() as session:
            link = links.add_link(
                session,
                kind="invitation",
                display_name=display_name,
                role=check_role(role),
                token_hash=self._hash("link", secret),
                created_by=user.id,
                expires_at=utc_now() + self._link_lifetime,
            )
        return link, secret

    def offer_new_password(self, by: User, user_id: int) -> tuple[OneTimeLink, str]:
        """A link with which somebody of the own hospital sets a new password; older ones end.

        Raises
        ------
        MissingError
            If nobody in this hospital has that id.
        NotAllowedError
            If that person also works where `by` is no administrator: whoever makes the link could use it.
        """
        secret = secrets.token_urlsafe(32)
        with self._database.within(by.hospital_id).write() as session:
            user = people.read_user(session, user_id)
            own = {place.id for place, role in people.memberships_of(session, by.id) if role == ROLES[-1]}
            if any(place.id not in own for place, _ in people.memberships_of(session, user_id)):
                raise NotAllowedError(
                    f"{user.display_name} also works where you are no administrator, so you can't set this "
                    "password. Ask who runs the service for a link: coverslip reset-password."
                )
            links.end_links_of(session, user_id)
            link = self._add_password_link(session, user, by.id, secret)
        return link, secret

    def offer_new_password_from_outside(self, user_name: str) -> tuple[OneTimeLink, str]:
        """The same, for whoever runs the service.

        Raises
        ------
        MissingError
            If nobody has that user name, or that person works nowhere.
        """
        secret = secrets.token_urlsafe(32)
        with self._database.write() as session:
            account = people.find_account_by_name(session, user_name)
            places = [] if account is None else people.memberships_of(session, account.id)
            if account is None or not places:
                raise MissingError(f"Nobody who works here has the user name {user_name!r}.")
            user = people.find_user(session, user_id=account.id, hospital_id=places[0][0].id)
            assert user is not None
            links.end_links_of(session, account.id)
            link = self._add_password_link(session, user, None, secret)
        return link, secret

    def _add_password_link(
        self, session: Session, user: User, created_by: int | None, secret: str
    ) -> OneTimeLink:
        return links.add_link(
            session,
            kind="password",
            hospital_id=user.hospital_id,
            user_id=user.id,
            display_name=user.display_name,
            token_hash=self._hash("link", secret),
            created_by=created_by,
            expires_at=utc_now() + self._link_lifetime,
        )

    def look_at_link(self, secret: str) -> LinkSeen:
        """What a link offers.

        Raises
        ------
        MissingError
            If it lets nobody in any more.
        """
        with self._database.read() as session:
            link = links.find_link(session, self._hash("link", secret))
            if link is None:
                raise MissingError(LINK_ENDED)
            hospital = people.read_hospital(session, link.hospital_id)
            account = None if link.user_id is None else people.read_account(session, link.user_id)
            user_name = None if account is None else account.user_name
            return LinkSeen(link.kind, hospital.name, link.display_name, link.role, user_name)

    def use_link(
        self, secret: str, password: str, *, user_name: str | None, has_account: bool, address: str
    ) -> str:
        """The user name of the person that a link let in; the link ends.

        Parameters
        ----------
        user_name : str, optional
            Of an invitation only: the one chosen, or with `has_account` the one there is.

        Raises
        ------
        MissingError
            If the link lets nobody in any more.
        ConflictError
            If the user name is taken, or an invitation comes without one.
        SignedOutError
            If with `has_account` the user name or the password is wrong.
        """
        known_id = None
        if has_account:
            self.look_at_link(secret)
            known_id = self._check_password(user_name or "", password, address)
        password_hash = None if has_account else hash_password(password)
        with self._database.write() as session:
            link = links.find_link(session, self._hash("link", secret), is_locked=True)
            if link is None:
                raise MissingError(LINK_ENDED)
            if link.kind == "password":
                if password_hash is None:
                    raise ConflictError("This link sets a new password; send it without has_account.")
                user_id = link.user_id
                assert user_id is not None
                people.change_password(session, user_id=user_id, password_hash=password_hash)
            else:
                user_id = known_id or _make_account(session, link, user_name, password_hash)
                _take_role(session, link, user_id)
            link.ended_at = utc_now()
            return people.read_account(session, user_id).user_name

    def _check_password(self, user_name: str, password: str, address: str) -> int:
        """The id of the person whose password it is."""
        self._refuse_many_tries(user_name, address)
        with self._database.read() as session:
            account = people.find_account_by_name(session, user_name)
        is_right = _PASSWORDS.verify(password, account.password_hash if account else _NOBODY)
        if account is None or not is_right:
            self._limiter.hit(self._by_both, user_name, address)
            self._limiter.hit(self._by_name, user_name)
            self._limiter.hit(self._by_address, address)
            raise SignedOutError("The user name or the password is wrong. Try again.")
        return account.id

    def _refuse_many_tries(self, user_name: str, address: str) -> None:
        is_open = (
            self._limiter.test(self._by_both, user_name, address)
            and self._limiter.test(self._by_name, user_name)
            and self._limiter.test(self._by_address, address)
        )
        if not is_open:
            raise TooManyTriesError("Too many failed sign-ins. Wait a minute and try again.")

    def _used_since(self) -> datetime:
        return utc_now() - self._idle

    def _note_use(self, key: type[SignIn] | type[Token], row_id: int, last: datetime | None) -> None:
        if last is None or utc_now() - last > min(NOTE_USE_EVERY, self._idle / 4):
            with self._database.write() as session:
                people.note_use(session, key, row_id)

    def _hash(self, purpose: str, token: str) -> str:
        message = f"{purpose}:{token}".encode("utf-8", "replace")
        return hmac.new(self._secret, message, hashlib.sha256).hexdigest()


def _make_account(
    session: Session, link: OneTimeLink, user_name: str | None, password_hash: str | None
) -> int:
    if user_name is None or password_hash is None:
        raise ConflictError("An invitation needs a user name. Choose one.")
    account = people.add_account(
        session, user_name=user_name, display_name=link.display_name, password_hash=password_hash
    )
    return account.id


def _take_role(session: Session, link: OneTimeLink, user_id: int) -> None:
    assert link.role is not None
    if people.find_user(session, user_id=user_id, hospital_id=link.hospital_id) is not None:
        raise ConflictError("You work in this hospital already, so the invitation was left unused.")
    people.set_role(session, user_id=user_id, hospital_id=link.hospital_id, role=link.role)
