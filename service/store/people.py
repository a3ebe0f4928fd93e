"""People, their roles in hospitals, their sign-ins and their tokens."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from service.errors import ConflictError, MissingError
from service.store.models import Account, Hospital, Membership, OneTimeLink, SignIn, Token, User, utc_now


def first_hospital(session: Session) -> Hospital:
    """The hospital that was there first."""
    return session.scalars(select(Hospital).order_by(Hospital.id).limit(1)).one()


def find_or_add_hospital(session: Session, name: str) -> Hospital:
    """The hospital of that name, made if there is none."""
    hospital = session.scalar(select(Hospital).where(Hospital.name == name))
    if hospital is None:
        hospital = Hospital(name=name)
        session.add(hospital)
        session.flush()
    return hospital


def read_hospital(session: Session, hospital_id: int) -> Hospital:
    """The hospital with that id."""
    return session.get_one(Hospital, hospital_id)


def add_account(session: Session, *, user_name: str, display_name: str, password_hash: str) -> Account:
    """A new person, with no role anywhere yet.

    Raises
    ------
    ConflictError
        If the user name is taken.
    """
    if find_account_by_name(session, user_name) is not None:
        raise ConflictError(f"There is a user named {user_name!r} already. Choose another user name.")
    account = Account(user_name=user_name, display_name=display_name, password_hash=password_hash)
    session.add(account)
    session.flush()
    return account


def add_user(
    session: Session,
    *,
    user_name: str,
    display_name: str,
    role: str,
    password_hash: str,
    hospital_id: int | None = None,
) -> User:
    """A new person with a role in one hospital; None: in the first.

    Raises
    ------
    ConflictError
        If the user name is taken.
    """
    account = add_account(
        session, user_name=user_name, display_name=display_name, password_hash=password_hash
    )
    where = first_hospital(session).id if hospital_id is None else hospital_id
    return _as_user(account, set_role(session, user_id=account.id, hospital_id=where, role=role))


def set_role(session: Session, *, user_id: int, hospital_id: int, role: str) -> Membership:
    """Give a person a role in a hospital, instead of the one before."""
    wanted = (Membership.user_id == user_id) & (Membership.hospital_id == hospital_id)
    membership = session.scalar(select(Membership).where(wanted))
    if membership is None:
        membership = Membership(user_id=user_id, hospital_id=hospital_id)
        session.add(membership)
    membership.role, membership.ended_at = role, None
    session.flush()
    return membership


def end_role(session: Session, *, user_id: int, hospital_id: int) -> None:
    """Take a person's role in a hospital away, with the sign-ins and tokens that work there."""
    now = utc_now()
    here = (Membership.user_id == user_id) & (Membership.hospital_id == hospital_id)
    session.scalars(select(Membership).where(here)).one().ended_at = now
    session.execute(delete(SignIn).where(SignIn.user_id == user_id, SignIn.hospital_id == hospital_id))
    tokens = (Token.user_id == user_id) & (Token.hospital_id == hospital_id) & Token.revoked_at.is_(None)
    session.execute(update(Token).where(tokens).values(revoked_at=now))


def lock_hospital(session: Session, hospital_id: int) -> None:
    """Keep others from changing who works in a hospital until the block ends."""
    session.execute(select(Hospital.id).where(Hospital.id == hospital_id).with_for_update())


def count_with_role(session: Session, *, hospital_id: int, role: str) -> int:
    """How many have a role in a hospital."""
    wanted = (Membership.hospital_id == hospital_id) & (Membership.role == role)
    counted = select(func.count()).select_from(Membership).where(wanted & Membership.ended_at.is_(None))
    return session.scalars(counted).one()


def memberships_of(session: Session, user_id: int) -> list[tuple[Hospital, str]]:
    """The hospitals that a person works in, each with the role there, by name."""
    wanted = (
        select(Hospital, Membership.role)
        .join(Membership, Membership.hospital_id == Hospital.id)
        .where(Membership.user_id == user_id, Membership.ended_at.is_(None))
    )
    rows = [(hospital, role) for hospital, role in session.execute(wanted)]
    return sorted(rows, key=lambda row: (row[0].name.casefold(), row[0].id))


def find_account_by_name(session: Session, user_name: str) -> Account | None:
    """The person with that user name."""
    return session.scalar(select(Account).where(Account.user_name == user_name))


def read_account(session: Session, user_id: int) -> Account:
    """The person with that id."""
    return session.get_one(Account, user_id)


def find_user(session: Session, *, user_id: int, hospital_id: int, even_ended: bool = False) -> User | None:
    """A person as they work in a hospital; `even_ended`: or used to work there."""
    wanted = (Account.id == user_id) & (Membership.hospital_id == hospital_id)
    found = session.execute(
        select(Account, Membership)
        .join(Membership, Membership.user_id == Account.id)
        .where(wanted if even_ended else wanted & Membership.ended_at.is_(None))
    ).first()
    return None if found is None else _as_user(*found)


def read_user(session: Session, user_id: int) -> User:
    """The person with that id, who works in the hospital that the session is kept to.

    Raises
    ------
    MissingError
        If nobody there has that id.
    """
    hospital_id = session.info["hospital_id"]
    user = None if hospital_id is None else find_user(session, user_id=user_id, hospital_id=hospital_id)
    if user is None:
        raise MissingError(f"There is no user {user_id}.")
    return user


def list_users(session: Session, hospital_id: int) -> list[User]:
    """Everybody who works in a hospital, by name in whatever case, the same on all databases."""
    wanted = (
        select(Account, Membership)
        .join(Membership, Membership.user_id == Account.id)
        .where(Membership.hospital_id == hospital_id, Membership.ended_at.is_(None))
    )
    users = [_as_user(account, membership) for account, membership in session.execute(wanted)]
    return sorted(users, key=lambda user: (user.display_name.casefold(), user.id))


def names_of(session: Session) -> dict[int, str]:
    """The display name of everybody, by id."""
    return {user_id: name for user_id, name in session.execute(select(Account.id, Account.display_name))}


def change_password(session: Session, *, user_id: int, password_hash: str) -> None:
    """A new password; every sign-in ends, and links for a new password with them."""
    session.execute(update(Account).where(Account.id == user_id).values(password_hash=password_hash))
    session.execute(delete(SignIn).where(SignIn.user_id == user_id))
    links = (OneTimeLink.user_id == user_id) & OneTimeLink.ended_at.is_(None)
    session.execute(update(OneTimeLink).where(links).values(ended_at=utc_now()))


def add_sign_in(
    session: Session,
    *,
    user_id: int,
    hospital_id: int,
    token_hash: str,
    address: str,
    browser: str,
    expires_at: datetime,
) -> None:
    """Remember a sign-in and forget those that ended."""
    session.execute(delete(SignIn).where(SignIn.expires_at < utc_now()))
    session.add(
        SignIn(
            user_id=user_id,
            hospital_id=hospital_id,
            token_hash=token_hash,
            address=address[:80],
            browser=browser[:200],
            expires_at=expires_at,
        )
    )


@dataclass(frozen=True)
class Found:
    """What a sign-in or a token says: whose it is, and when it was used last."""

    user: User
    row_id: int
    last_used_at: datetime | None
    token_role: str | None = None


def find_sign_in(session: Session, token_hash: str, *, used_since: datetime) -> Found | None:
    """A sign-in that has not ended, used since then."""
    is_valid = (SignIn.token_hash == token_hash) & (SignIn.expires_at > utc_now())
    found = session.scalar(select(SignIn).where(is_valid & (SignIn.last_used_at > used_since)))
    if found is None:
        return None
    user = find_user(session, user_id=found.user_id, hospital_id=found.hospital_id)
    return None if user is None else Found(user, found.id, found.last_used_at)


def find_token(session: Session, token_hash: str) -> Found | None:
    """A token that is not revoked, of somebody who still works in its hospital."""
    is_valid = (Token.token_hash == token_hash) & Token.revoked_at.is_(None)
    found = session.scalar(select(Token).where(is_valid))
    if found is None:
        return None
    user = find_user(session, user_id=found.user_id, hospital_id=found.hospital_id)
    return None if user is None else Found(user, found.id, found.last_used_at, found.role)


def note_use(session: Session, key: type[SignIn] | type[Token], row_id: int) -> None:
    """Say that a sign-in or a token was used just now."""
    session.execute(update(key).where(key.id == row_id).values(last_used_at=utc_now()))


def move_sign_in(session: Session, *, token_hash: str, hospital_id: int) -> None:
    """Let a sign-in go on in another hospital."""
    session.execute(update(SignIn).where(SignIn.token_hash == token_hash).values(hospital_id=hospital_id))


def list_sign_ins(session: Session, user_id: int, *, used_since: datetime) -> list[SignIn]:
    """A person's sign-ins that have not ended, last used first."""
    is_open = (SignIn.expires_at > utc_now()) & (SignIn.last_used_at > used_since)
    wanted = select(SignIn).where(SignIn.user_id == user_id, is_open)
    return list(session.scalars(wanted.order_by(SignIn.last_used_at.desc(), SignIn.id.desc())))


def end_sign_in(session: Session, token_hash: str) -> None:
    """Forget a sign-in."""
    session.execute(delete(SignIn).where(SignIn.token_hash == token_hash))


def end_own_sign_in(session: Session, *, user_id: int, sign_in_id: int) -> None:
    """Forget a person's own sign-in.

    Raises
    ------
    MissingError
        If that person has no such sign-in.
    """
    sign_in = session.get(SignIn, sign_in_id)
    if sign_in is None or sign_in.user_id != user_id:
        raise MissingError(f"You have no sign-in {sign_in_id}.")
    session.delete(sign_in)


def add_token(
    session: Session, *, user_id: int, hospital_id: int, role: str, name: str, token_hash: str
) -> Token:
    """Remember a bearer token."""
    token = Token(user_id=user_id, hospital_id=hospital_id, role=role, name=name, token_hash=token_hash)
    session.add(token)
    session.flush()
    return token


def list_tokens(session: Session, user_id: int, hospital_id: int) -> list[Token]:
    """A person's tokens for a hospital that are not revoked, oldest first."""
    wanted = (Token.user_id == user_id) & (Token.hospital_id == hospital_id) & Token.revoked_at.is_(None)
    return list(session.scalars(select(Token).where(wanted).order_by(Token.id)))


def revoke_token(session: Session, *, user_id: int, hospital_id: int, token_id: int) -> None:
    """End a person's own token.

    Raises
    ------
    MissingError
        If that person has no such token there, or it is revoked already.
    """
    token = session.get(Token, token_id)
    is_own = token is not None and (token.user_id, token.hospital_id) == (user_id, hospital_id)
    if token is None or not is_own or token.revoked_at is not None:
        raise MissingError(f"You have no token {token_id}.")
    token.revoked_at = utc_now()


def _as_user(account: Account, membership: Membership) -> User:
    return User(account.id, account.user_name, account.display_name, membership.role, membership.hospital_id)
