"""Signing in and out."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response, status

from service.dependencies import COOKIE, PartsDep, SessionTokenDep, UserDep
from service.schemas import SessionIn, SessionOut, SignedInUser

router = APIRouter(tags=["session"])


@router.post("/session")
def sign_in(body: SessionIn, request: Request, response: Response, parts: PartsDep) -> SessionOut:
    """Check a password, and set the session cookie."""
    address = request.client.host if request.client else "unknown"
    signed_in = parts.accounts.sign_in(body.user_name, body.password, address=address)
    response.set_cookie(
        COOKIE,
        signed_in.token,
        max_age=int(parts.settings.session_hours * 3600),
        httponly=True,
        samesite="strict",
        secure=parts.settings.secure_cookies,
    )
    return SessionOut(user=SignedInUser.model_validate(signed_in.user), csrf_token=signed_in.csrf_token)


@router.get("/session")
def read_session(user: UserDep, token: SessionTokenDep, parts: PartsDep) -> SessionOut:
    """Who is signed in."""
    csrf_token = None if token is None else parts.accounts.csrf_token(token)
    return SessionOut(user=SignedInUser.model_validate(user), csrf_token=csrf_token)


@router.delete("/session", status_code=status.HTTP_204_NO_CONTENT)
def sign_out(user: UserDep, token: SessionTokenDep, response: Response, parts: PartsDep) -> None:
    """End the sign-in of this browser."""
    if token is not None:
        parts.accounts.sign_out(token)
    response.delete_cookie(COOKIE)
