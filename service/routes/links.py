"""One-time links: invitations by an administrator, and what anybody does who holds a link."""

from __future__ import annotations

from fastapi import APIRouter, Request, status

from service.dependencies import AdministratorDep, DatabaseDep, IdPath, WholePartsDep
from service.routes.session import address_of
from service.schemas import (
    InvitationIn,
    InvitationOut,
    LinkIn,
    LinkOut,
    LinkUsed,
    LinkUseIn,
    NewLink,
    Person,
)
from service.store import links, people
from service.store.models import OneTimeLink

router = APIRouter(tags=["users"])


@router.post("/invitations", status_code=status.HTTP_201_CREATED)
def invite(body: InvitationIn, user: AdministratorDep, parts: WholePartsDep) -> NewLink:
    """Invite somebody to your hospital, by a link that works once; hand it over yourself."""
    return present_link(*parts.accounts.invite(user, body.display_name, body.role))


def present_link(link: OneTimeLink, secret: str) -> NewLink:
    """A new link; what follows the `#` never reaches a server's log."""
    return NewLink(path=f"/join#{secret}", expires_at=link.expires_at)


@router.get("/invitations")
def list_invitations(user: AdministratorDep, database: DatabaseDep) -> list[InvitationOut]:
    """Invitations to your hospital that nobody has used yet, oldest first."""
    with database.read() as session:
        names = people.names_of(session)
        return [
            InvitationOut(
                id=link.id,
                display_name=link.display_name,
                role=link.role or "",
                created_at=link.created_at,
                created_by=None
                if link.created_by is None
                else Person(id=link.created_by, display_name=names[link.created_by]),
                expires_at=link.expires_at,
            )
            for link in links.list_invitations(session)
        ]


@router.delete("/invitations/{invitation_id}", status_code=status.HTTP_204_NO_CONTENT)
def end_invitation(invitation_id: IdPath, user: AdministratorDep, database: DatabaseDep) -> None:
    """Take an invitation back."""
    with database.write() as session:
        links.end_invitation(session, invitation_id)


@router.post("/links/look")
def look_at_link(body: LinkIn, parts: WholePartsDep) -> LinkOut:
    """What a link offers to whoever holds it."""
    return LinkOut.model_validate(parts.accounts.look_at_link(body.secret))


@router.post("/links/use")
def use_link(body: LinkUseIn, request: Request, parts: WholePartsDep) -> LinkUsed:
    """Set a password by a link, or take the role it offers with an account there is; the link ends."""
    user_name = parts.accounts.use_link(
        body.secret,
        body.password,
        user_name=body.user_name,
        has_account=body.has_account,
        address=address_of(request),
    )
    return LinkUsed(user_name=user_name)
