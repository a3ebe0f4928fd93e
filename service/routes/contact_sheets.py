"""Rejecting the tail of a ranking in one act: only what its reader has had on screen."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import DatabaseDep, IdPath, ReaderDep
from service.errors import ConflictError
from service.present import View, is_blinded, view_for
from service.reading_schemas import SheetIn, SheetOut, SheetRejectionIn, SheetViewIn
from service.store import changes, contact_sheets, images, reading, specimens, withdrawals
from service.store.contact_sheets import SheetState
from service.store.database import Session
from service.store.models import MarkRow, User
from triage.errors import RecordError
from triage.groups import look_alikes

router = APIRouter(tags=["contact sheets"])


@router.post("/images/{image_id}/contact-sheets", status_code=status.HTTP_201_CREATED)
def add_sheet(image_id: IdPath, body: SheetIn, user: ReaderDep, database: DatabaseDep) -> SheetOut:
    """Lay out the candidates above the cut that nobody marked, from a rank to the last."""
    with database.write() as session:
        _refuse_if_closed(session, image_id, user)
        tail = [
            one.candidate.id
            for one in reading.list_spoken(session, [image_id])
            if one.candidate.is_above_cut
            and (one.candidate.rank or 0) >= body.from_rank
            and not one.marks
            and not one.adjudications
        ]
        if not tail:
            raise ConflictError(f"From rank {body.from_rank} on, no candidate of this picture is unmarked.")
        state = contact_sheets.add_sheet(session, image_id=image_id, reader_id=user.id, candidate_ids=tail)
        return _present(view_for(session, user), state)


@router.post("/contact-sheets/{sheet_id}/views")
def note_view(sheet_id: IdPath, body: SheetViewIn, user: ReaderDep, database: DatabaseDep) -> SheetOut:
    """Note which of its candidates were on your screen."""
    with database.write() as session:
        state = contact_sheets.read_own_sheet(session, sheet_id, user.id)
        strange = sorted(set(body.candidate_ids) - set(state.sheet.candidate_ids))
        if strange:
            raise RecordError(f"Candidate {strange[0]} is not on contact sheet {sheet_id}.")
        contact_sheets.add_view(session, sheet_id, body.candidate_ids)
        return _present(view_for(session, user), contact_sheets.read_own_sheet(session, sheet_id, user.id))


@router.post("/contact-sheets/{sheet_id}/rejection", status_code=status.HTTP_201_CREATED)
def reject_all(sheet_id: IdPath, body: SheetRejectionIn, user: ReaderDep, database: DatabaseDep) -> SheetOut:
    """Reject all of a sheet in one act, recorded as such; each candidate gets its own mark."""
    if body.reason not in look_alikes():
        raise RecordError(f"There is no look-alike {body.reason!r}. Use one of: {', '.join(look_alikes())}.")
    with database.write() as session:
        state = contact_sheets.read_own_sheet(session, sheet_id, user.id)
        _refuse_if_closed(session, state.sheet.image_id, user)
        _refuse_unseen(session, state)
        read = reading.continue_read(session, image_id=state.sheet.image_id, reader_id=user.id)
        marks = [
            reading.add_mark(
                session,
                MarkRow(
                    candidate_id=number,
                    answer="reject",
                    reason=body.reason,
                    reader_id=user.id,
                    read_id=read.id,
                ),
            )
            for number in state.sheet.candidate_ids
        ]
        for mark in marks:
            changes.note_change(session, mark)
        contact_sheets.add_rejection(
            session, sheet_id=sheet_id, reason=body.reason, mark_ids=[mark.id for mark in marks]
        )
        return _present(view_for(session, user), contact_sheets.read_own_sheet(session, sheet_id, user.id))


@router.post("/contact-sheets/{sheet_id}/withdrawal")
def take_back(sheet_id: IdPath, user: ReaderDep, database: DatabaseDep) -> SheetOut:
    """Take the act back: every mark of it that still is your newest of its candidate."""
    with database.write() as session:
        state = contact_sheets.read_own_sheet(session, sheet_id, user.id)
        _refuse_if_closed(session, state.sheet.image_id, user)
        if state.rejection is None:
            raise ConflictError(f"Contact sheet {sheet_id} was not rejected, so nothing is to take back.")
        gone = withdrawals.withdrawn_ids(session, state.rejection.mark_ids)
        left = [number for number in state.rejection.mark_ids if number not in gone]
        if not left:
            raise ConflictError(f"The rejection of contact sheet {sheet_id} was taken back already.")
        for number in left:
            withdrawals.withdraw_mark(session, mark_id=number, reader_id=user.id)
        return _present(view_for(session, user), state)


@router.get("/images/{image_id}/contact-sheets")
def list_rejected(image_id: IdPath, user: ReaderDep, database: DatabaseDep) -> list[SheetOut]:
    """Sheets of an image that were rejected in one act, oldest first; blind readers see their own alone."""
    with database.read() as session:
        specimen = specimens.specimen_of_image(session, image_id)
        view = view_for(session, user)
        is_hidden = is_blinded(view, specimen.id) or reading.is_withheld(
            session, image_id=image_id, reader_id=user.id
        )
        return [
            _present(view, state)
            for state in contact_sheets.list_rejected(session, image_id)
            if not is_hidden or state.sheet.reader_id == user.id
        ]


def _refuse_if_closed(session: Session, image_id: int, user: User) -> None:
    images.read_image_state(session, image_id)
    specimen = specimens.specimen_of_image(session, image_id, is_locked=True)
    specimens.refuse_if_signed_off(session, specimen)
    if reading.is_withheld(session, image_id=image_id, reader_id=user.id):
        raise ConflictError("Candidates of this image are withheld from you. Lock your unaided read first.")


def _refuse_unseen(session: Session, state: SheetState) -> None:
    sheet = state.sheet
    if state.rejection is not None:
        raise ConflictError(f"Contact sheet {sheet.id} is rejected already.")
    if state.unseen:
        raise ConflictError(
            f"{len(state.unseen)} of {len(sheet.candidate_ids)} candidates of this contact sheet have not "
            "been on your screen. Look at all of them first.",
            unseen=state.unseen,
        )
    marked = [
        one.candidate.id
        for one in reading.list_spoken(session, [sheet.image_id])
        if one.candidate.id in sheet.candidate_ids and (one.marks or one.adjudications)
    ]
    if marked:
        raise ConflictError(
            f"{len(marked)} candidates of this contact sheet were marked meanwhile. Lay it out again."
        )


def _present(view: View, state: SheetState) -> SheetOut:
    sheet, rejection = state.sheet, state.rejection
    return SheetOut(
        id=sheet.id,
        image_id=sheet.image_id,
        reader=view.person(sheet.reader_id),
        candidate_ids=sheet.candidate_ids,
        unseen=state.unseen,
        reason=None if rejection is None else rejection.reason,
        rejected_at=None if rejection is None else rejection.created_at,
        mark_ids=[] if rejection is None else rejection.mark_ids,
    )
