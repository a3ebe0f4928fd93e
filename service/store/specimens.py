"""Specimens, their preparations, second looks and sign-offs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import ConflictError, MissingError, NotAllowedError
from service.store.models import (
    Image,
    LabelledSetRow,
    Preparation,
    SecondLook,
    SecondLookClaim,
    SecondLookClosing,
    SecondLookReturn,
    Specimen,
)
from service.store.versions import Signed, find_signed


def add_specimen(session: Session, specimen: Specimen, preparation: Preparation) -> Specimen:
    """A new specimen with its first preparation.

    Raises
    ------
    ConflictError
        If another specimen has the code.
    """
    if session.scalar(select(Specimen.id).where(Specimen.code == specimen.code)) is not None:
        raise ConflictError(f"There is a specimen {specimen.code!r} already. Choose another code.")
    session.add(specimen)
    session.flush()
    preparation.specimen_id = specimen.id
    session.add(preparation)
    session.flush()
    return specimen


def read_specimen(session: Session, specimen_id: int, *, is_locked: bool = False) -> Specimen:
    """The specimen with that id; `is_locked` keeps other writers out until the block ends."""
    specimen = session.get(Specimen, specimen_id, with_for_update=is_locked)
    if specimen is None:
        raise MissingError(f"There is no specimen {specimen_id}.")
    return specimen


def list_specimens(session: Session, *, limit: int, before: int | None) -> list[Specimen]:
    """Specimens, newest first, those older than the id `before` only."""
    wanted = select(Specimen).order_by(Specimen.id.desc()).limit(limit)
    return list(session.scalars(wanted if before is None else wanted.where(Specimen.id < before)))


def read_preparation(session: Session, preparation_id: int) -> Preparation:
    """The preparation with that id."""
    preparation = session.get(Preparation, preparation_id)
    if preparation is None:
        raise MissingError(f"There is no preparation {preparation_id}.")
    return preparation


def list_preparations(session: Session, specimen_id: int) -> list[Preparation]:
    """A specimen's preparations, oldest first."""
    wanted = select(Preparation).where(Preparation.specimen_id == specimen_id).order_by(Preparation.id)
    return list(session.scalars(wanted))


def specimen_of_image(session: Session, image_id: int, *, is_locked: bool = False) -> Specimen:
    """The specimen that an image belongs to."""
    specimen_id = session.scalar(select(Preparation.specimen_id).join(Image).where(Image.id == image_id))
    if specimen_id is None:
        raise MissingError(f"There is no image {image_id}.")
    return read_specimen(session, specimen_id, is_locked=is_locked)


def sign_offs_of(session: Session, specimen_ids: Sequence[int]) -> dict[int, Signed]:
    """The signature of each specimen that is signed off; one under amendment is not."""
    return find_signed(session, specimen_ids)


def signed_off_ids(session: Session) -> list[int]:
    """Ids of all specimens that are signed off, oldest first."""
    return sorted({*find_signed(session)} & {*session.scalars(select(Specimen.id))})


def refuse_if_signed_off(session: Session, specimen: Specimen) -> None:
    """Keep a signed-off specimen as it is.

    Raises
    ------
    ConflictError
        If the specimen is signed off.
    """
    if sign_offs_of(session, [specimen.id]):
        raise ConflictError(
            f"Specimen {specimen.code!r} is signed off, so nothing can be added to it. "
            "Open an amendment first."
        )


@dataclass(frozen=True)
class SecondLookState:
    """A second look with who has taken it, where whoever is free was asked, and its closing, if any."""

    look: SecondLook
    closing: SecondLookClosing | None
    claim: SecondLookClaim | None = None

    @property
    def reader_id(self) -> int | None:
        """Whose it is: the reader who was asked or who took it; None while it waits for anybody."""
        return self.look.reader_id if self.claim is None else self.claim.reader_id

    def may_be_of(self, reader_id: int) -> bool:
        """Whether it is this reader's, or may become it."""
        if self.reader_id is None:
            return self.look.asked_by != reader_id
        return self.reader_id == reader_id


def add_second_look(
    session: Session, *, specimen_id: int, asked_by: int, reader_id: int | None, is_blind: bool
) -> SecondLook:
    """A wish that another reader reads a specimen."""
    look = SecondLook(specimen_id=specimen_id, asked_by=asked_by, reader_id=reader_id, is_blind=is_blind)
    session.add(look)
    session.flush()
    return look


def list_second_looks(session: Session, specimen_id: int | None = None) -> list[SecondLookState]:
    """Second looks of one specimen, or of all, oldest first."""
    holds = SecondLookClaim.id.not_in(select(SecondLookReturn.claim_id))
    wanted = (
        select(SecondLook, SecondLookClosing, SecondLookClaim)
        .join(Specimen, Specimen.id == SecondLook.specimen_id)
        .outerjoin(SecondLookClosing, SecondLookClosing.second_look_id == SecondLook.id)
        .outerjoin(SecondLookClaim, (SecondLookClaim.second_look_id == SecondLook.id) & holds)
        .order_by(SecondLook.id)
    )
    if specimen_id is not None:
        wanted = wanted.where(SecondLook.specimen_id == specimen_id)
    return [SecondLookState(*row) for row in session.execute(wanted)]


def claim_second_look(session: Session, *, look_id: int, reader_id: int) -> SecondLookState:
    """Take a second look that was asked of whoever is free; from now on it is nobody else's.

    Raises
    ------
    MissingError
        If there is no such second look.
    NotAllowedError
        If this reader asked for it.
    ConflictError
        If it is closed, or somebody else's already.
    """
    state = read_open_look(session, look_id)
    if state.look.asked_by == reader_id:
        raise NotAllowedError("You asked for this second look, so another reader takes it.")
    if state.reader_id is not None:
        raise ConflictError(
            "You have this second look already. Read the specimen, then say that it is done."
            if state.reader_id == reader_id
            else "Another reader has this second look already. Take one that still waits for anybody."
        )
    claim = SecondLookClaim(second_look_id=look_id, reader_id=reader_id)
    session.add(claim)
    session.flush()
    return SecondLookState(state.look, None, claim)


def close_second_look(session: Session, *, look_id: int, reader_id: int) -> SecondLookState:
    """End a second look, by its reader (anybody, while it is nobody's) or by who asked for it.

    Raises
    ------
    MissingError
        If there is no such second look.
    NotAllowedError
        If it waits for somebody else.
    ConflictError
        If it is closed already.
    """
    state = read_open_look(session, look_id)
    if state.reader_id is not None and reader_id not in (state.reader_id, state.look.asked_by):
        raise NotAllowedError("This second look waits for another reader.")
    closing = SecondLookClosing(second_look_id=look_id, closed_by=reader_id)
    session.add(closing)
    session.flush()
    return SecondLookState(state.look, closing, state.claim)


def read_open_look(session: Session, look_id: int) -> SecondLookState:
    """A second look that is not closed; other writers are kept from it until the block ends."""
    look = session.get(SecondLook, look_id, with_for_update=True)
    if look is None:
        raise MissingError(f"There is no second look {look_id}.")
    states = list_second_looks(session, look.specimen_id)
    state = next(one for one in states if one.look.id == look_id)
    if state.closing is not None:
        raise ConflictError(f"Second look {look_id} is closed already.")
    return state


def add_labelled_set(session: Session, **values: Any) -> LabelledSetRow:
    """Remember an export."""
    row = LabelledSetRow(**values)
    session.add(row)
    session.flush()
    return row


def list_labelled_sets(session: Session) -> list[LabelledSetRow]:
    """All exports, newest first."""
    return list(session.scalars(select(LabelledSetRow).order_by(LabelledSetRow.id.desc())))


def read_labelled_set_row(session: Session, set_id: int) -> LabelledSetRow:
    """The export with that id."""
    row = session.get(LabelledSetRow, set_id)
    if row is None:
        raise MissingError(f"There is no labelled set {set_id}.")
    return row
