"""Signing in and out, and the hospital that one works in."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response, status

from service.dependencies import COOKIE, Parts, PersonDep, SessionTokenDep, UserDep, WholePartsDep
from service.schemas import HospitalIn, HospitalOut, PasswordIn, SessionIn, SessionOut, SignedInUser
from service.store import people
from service.store.models import User

router = APIRouter(tags=["session"])


@router.post("/session")
def sign_in(body: SessionIn, request: Request, response: Response, parts: WholePartsDep) -> SessionOut:
    """Check a password, and set the session cookie."""
    signed_in = parts.accounts.sign_in(
        body.user_name,
        body.password,
        address=address_of(request),
        browser=request.headers.get("User-Agent", ""),
    )
    response.set_cookie(
        COOKIE,
        signed_in.token,
        max_age=int(parts.settings.session_hours * 3600),
        httponly=True,
        samesite="strict",
        secure=parts.settings.secure_cookies,
    )
    return _present(parts, signed_in.user, signed_in.csrf_token)


def address_of(request: Request) -> str:
    """Where a request comes from."""
    return request.client.host if request.client else "unknown"


@router.get("/session")
def read_session(user: UserDep, token: SessionTokenDep, parts: WholePartsDep) -> SessionOut:
    """Who is signed in, and where they work."""
    csrf_token = None if token is None or user.is_program else parts.accounts.csrf_token(token)
    return _present(parts, user, csrf_token)


def _present(parts: Parts, user: User, csrf_token: str | None) -> SessionOut:
    with parts.database.read() as session:
        places = people.memberships_of(session, user.id)
    listed = [HospitalOut(id=place.id, name=place.name, role=role) for place, role in places]
    here = next(one for one in listed if one.id == user.hospital_id)
    return SessionOut(
        user=SignedInUser.model_validate(user),
        csrf_token=csrf_token,
        hospital=here.model_copy(update={"role": user.role}),
        hospitals=[here] if user.is_program else listed,
    )


@router.put("/session/hospital", status_code=status.HTTP_204_NO_CONTENT)
def work_in(body: HospitalIn, user: PersonDep, token: SessionTokenDep, parts: WholePartsDep) -> None:
    """Go on in another hospital that you work in."""
    assert token is not None
    parts.accounts.work_in(token, body.hospital_id)


@router.delete("/session", status_code=status.HTTP_204_NO_CONTENT)
def sign_out(user: PersonDep, token: SessionTokenDep, response: Response, parts: WholePartsDep) -> None:
    """End the sign-in of this browser."""
    assert token is not None
    parts.accounts.sign_out(token)
    response.delete_cookie(COOKIE)


@router.put("/password", status_code=status.HTTP_204_NO_CONTENT)
def change_password(
    body: PasswordIn, user: PersonDep, request: Request, response: Response, parts: WholePartsDep
) -> None:
    """Change your password; every sign-in of yours ends, this one too."""
    parts.accounts.change_password(user, body.old, body.new, address=address_of(request))
    response.delete_cookie(COOKIE)
