"""Contact sheets: the tail of a ranking side by side, so that it can be rejected in one act that was seen."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import MissingError, NotAllowedError
from service.store.models import ContactSheet, ContactSheetRejection, ContactSheetView


@dataclass(frozen=True)
class SheetState:
    """A sheet, those of its candidates that have been on screen, and the act that rejected them."""

    sheet: ContactSheet
    seen: frozenset[int]
    rejection: ContactSheetRejection | None

    @property
    def unseen(self) -> list[int]:
        """Candidates that have not been on screen, in rank order."""
        return [number for number in self.sheet.candidate_ids if number not in self.seen]


def add_sheet(session: Session, *, image_id: int, reader_id: int, candidate_ids: list[int]) -> SheetState:
    """A new sheet, nothing of it seen."""
    sheet = ContactSheet(image_id=image_id, reader_id=reader_id, candidate_ids=candidate_ids)
    session.add(sheet)
    session.flush()
    return SheetState(sheet, frozenset(), None)


def read_own_sheet(session: Session, sheet_id: int, reader_id: int) -> SheetState:
    """A reader's own sheet.

    Raises
    ------
    MissingError
        If there is no such sheet.
    NotAllowedError
        If it was laid out for another reader.
    """
    sheet = session.get(ContactSheet, sheet_id)
    if sheet is None:
        raise MissingError(f"There is no contact sheet {sheet_id}.")
    if sheet.reader_id != reader_id:
        raise NotAllowedError("This contact sheet was laid out for another reader. Lay out one of your own.")
    return _state_of(session, sheet)


def list_rejected(session: Session, image_id: int) -> list[SheetState]:
    """The sheets of an image that were rejected in one act, oldest first."""
    wanted = select(ContactSheet).join(ContactSheetRejection).where(ContactSheet.image_id == image_id)
    return [_state_of(session, sheet) for sheet in session.scalars(wanted.order_by(ContactSheet.id))]


def _state_of(session: Session, sheet: ContactSheet) -> SheetState:
    views = session.scalars(
        select(ContactSheetView.candidate_ids).where(ContactSheetView.sheet_id == sheet.id)
    )
    rejection = session.scalar(
        select(ContactSheetRejection).where(ContactSheetRejection.sheet_id == sheet.id)
    )
    return SheetState(sheet, frozenset(number for ids in views for number in ids), rejection)


def add_view(session: Session, sheet_id: int, candidate_ids: list[int]) -> None:
    """Note what was on screen."""
    session.add(ContactSheetView(sheet_id=sheet_id, candidate_ids=candidate_ids))
    session.flush()


def add_rejection(
    session: Session, *, sheet_id: int, reason: str, mark_ids: list[int]
) -> ContactSheetRejection:
    """The one act."""
    row = ContactSheetRejection(sheet_id=sheet_id, reason=reason, mark_ids=mark_ids)
    session.add(row)
    session.flush()
    return row
