"""People, their sign-ins and their tokens."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.errors import ConflictError, MissingError
from service.store.models import SignIn, Token, User, utc_now


def add_user(session: Session, *, user_name: str, display_name: str, role: str, password_hash: str) -> User:
    """A new person.

    Raises
    ------
    ConflictError
        If the user name is taken.
    """
    if find_user_by_name(session, user_name) is not None:
        raise ConflictError(f"There is a user named {user_name!r} already. Choose another user name.")
    user = User(user_name=user_name, display_name=display_name, role=role, password_hash=password_hash)
    session.add(user)
    session.flush()
    return user


def find_user_by_name(session: Session, user_name: str) -> User | None:
    """The person with that user name."""
    return session.scalar(select(User).where(User.user_name == user_name))


def read_user(session: Session, user_id: int) -> User:
    """The person with that id."""
    user = session.get(User, user_id)
    if user is None:
        raise MissingError(f"There is no user {user_id}.")
    return user


def list_users(session: Session) -> list[User]:
    """Everybody, by name."""
    return list(session.scalars(select(User).order_by(User.display_name, User.id)))


def names_of(session: Session) -> dict[int, str]:
    """The display name of everybody, by id."""
    return {user_id: name for user_id, name in session.execute(select(User.id, User.display_name))}


def add_sign_in(session: Session, *, user_id: int, token_hash: str, expires_at: datetime) -> None:
    """Remember a sign-in and forget those that ended."""
    session.execute(delete(SignIn).where(SignIn.expires_at < utc_now()))
    session.add(SignIn(user_id=user_id, token_hash=token_hash, expires_at=expires_at))


def find_user_by_sign_in(session: Session, token_hash: str) -> User | None:
    """The person of a sign-in that has not ended."""
    is_valid = (SignIn.token_hash == token_hash) & (SignIn.expires_at > utc_now())
    return session.scalar(select(User).join(SignIn, SignIn.user_id == User.id).where(is_valid))


def end_sign_in(session: Session, token_hash: str) -> None:
    """Forget a sign-in."""
    session.execute(delete(SignIn).where(SignIn.token_hash == token_hash))


def add_token(session: Session, *, user_id: int, name: str, token_hash: str) -> Token:
    """Remember a bearer token."""
    token = Token(user_id=user_id, name=name, token_hash=token_hash)
    session.add(token)
    session.flush()
    return token


def list_tokens(session: Session, user_id: int) -> list[Token]:
    """A person's tokens that are not revoked, oldest first."""
    wanted = (Token.user_id == user_id) & Token.revoked_at.is_(None)
    return list(session.scalars(select(Token).where(wanted).order_by(Token.id)))


def revoke_token(session: Session, *, user_id: int, token_id: int) -> None:
    """End a person's own token.

    Raises
    ------
    MissingError
        If that person has no such token, or it is revoked already.
    """
    token = session.get(Token, token_id)
    if token is None or token.user_id != user_id or token.revoked_at is not None:
        raise MissingError(f"You have no token {token_id}.")
    token.revoked_at = utc_now()


def find_user_by_token(session: Session, token_hash: str) -> User | None:
    """The person of a token that is not revoked."""
    is_valid = (Token.token_hash == token_hash) & Token.revoked_at.is_(None)
    return session.scalar(select(User).join(Token, Token.user_id == User.id).where(is_valid))
