"""Amendments of signed records, and the versions that come of them."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.amending import Change, list_signed, say_record
from service.dependencies import DatabaseDep, IdPath, ReaderDep, UserDep
from service.hiding import refuse_if_hidden
from service.present import View, view_for
from service.signing_schemas import AmendmentIn, AmendmentOut, ChangeOut, VersionOut, VersionsOut
from service.store import specimens, versions
from service.store.versions import Amendment

router = APIRouter(tags=["specimens"])


@router.post("/specimens/{specimen_id}/amendments", status_code=status.HTTP_201_CREATED)
def open_amendment(
    specimen_id: IdPath, body: AmendmentIn, user: ReaderDep, database: DatabaseDep
) -> AmendmentOut:
    """Open a signed record again; the next sign-off makes a new version, and the old one stays."""
    with database.write() as session:
        specimen = specimens.read_specimen(session, specimen_id, is_locked=True)
        row = versions.open_amendment(
            session,
            specimen_id=specimen_id,
            opened_by=user.id,
            reason=body.reason,
            content=say_record(session, specimen),
        )
        return _present(view_for(session, user), row)


@router.get("/specimens/{specimen_id}/versions")
def list_versions(specimen_id: IdPath, user: UserDep, database: DatabaseDep) -> VersionsOut:
    """Each signed version: who, when, why, and what it says otherwise than the one before."""
    with database.read() as session:
        specimens.read_specimen(session, specimen_id)
        view = view_for(session, user)
        refuse_if_hidden(view, specimen_id)
        opened = versions.find_open_amendment(session, specimen_id)
        return VersionsOut(
            versions=[
                VersionOut(
                    number=one.version.number,
                    signed_by=view.person(one.version.signed_by),
                    signed_at=one.version.signed_at,
                    remark=one.version.remark,
                    amendment=None if one.amendment is None else _present(view, one.amendment),
                    changes=[_present_change(view, change) for change in one.changes],
                )
                for one in list_signed(session, specimen_id)
            ],
            open_amendment=None if opened is None else _present(view, opened),
        )


def _present(view: View, row: Amendment) -> AmendmentOut:
    return AmendmentOut(
        number=row.number, reason=row.reason, opened_by=view.person(row.opened_by), opened_at=row.opened_at
    )


def _present_change(view: View, change: Change) -> ChangeOut:
    said = (change.after or {}).get("by")
    return ChangeOut(
        image_id=change.image_id,
        candidate_id=change.candidate_id,
        before=change.before,
        after=change.after,
        by=None if said is None else view.person(said),
    )
