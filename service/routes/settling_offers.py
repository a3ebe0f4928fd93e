"""Readers who differ settle together: one offers an answer, the others agree."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import DatabaseDep, IdPath, ReaderDep
from service.errors import ConflictError, NotAllowedError
from service.present import View, is_blinded, view_for
from service.reading_schemas import OfferOut
from service.routes.candidates import refuse_if_withheld
from service.routes.marks import checked_answer, open_candidate
from service.schemas import AdjudicationIn
from service.settle import is_unsettled
from service.store import reading, settling, specimens
from service.store.database import Session
from service.store.models import AdjudicationRow, CandidateRow, SettlingOffer, User
from service.store.reading import Spoken
from service.store.settling import OfferState

router = APIRouter(tags=["settling offers"])


@router.post("/candidates/{candidate_id}/settling-offers", status_code=status.HTTP_201_CREATED)
def add_offer(candidate_id: IdPath, body: AdjudicationIn, user: ReaderDep, database: DatabaseDep) -> OfferOut:
    """Offer an answer to the readers who differ from you; it holds once all of them agree."""
    with database.write() as session:
        row = open_candidate(session, candidate_id)
        refuse_if_withheld(session, row, user.id)
        spoken = _refuse_outsider(session, row, user)
        offer = SettlingOffer(**checked_answer(body, row), candidate_id=row.id, reader_id=user.id)
        return _present(view_for(session, user), settling.add_offer(session, offer), spoken)


@router.get("/candidates/{candidate_id}/settling-offers")
def list_offers(candidate_id: IdPath, user: ReaderDep, database: DatabaseDep) -> list[OfferOut]:
    """The offer that is open for a candidate, if there is one."""
    with database.read() as session:
        row = reading.read_candidate(session, candidate_id)
        specimen = specimens.specimen_of_image(session, row.image_id)
        refuse_if_withheld(session, row, user.id)
        view, spoken = view_for(session, user), reading.spoken_of(session, row)
        state = None if is_blinded(view, specimen.id) else settling.newest_offer(session, spoken)
        return [] if state is None else [_present(view, state, spoken)]


@router.post("/settling-offers/{offer_id}/agreements", status_code=status.HTTP_201_CREATED)
def agree(offer_id: IdPath, user: ReaderDep, database: DatabaseDep) -> OfferOut:
    """Agree to an offer; the last agreement settles the candidate."""
    with database.write() as session:
        offer = settling.read_offer(session, offer_id)
        row = open_candidate(session, offer.candidate_id)
        spoken = _refuse_outsider(session, row, user)
        state = settling.state_of(session, offer)
        if not state.is_open(spoken):
            raise ConflictError("Somebody marked or settled this candidate since the offer. Make a new one.")
        if user.id in state.agreed_by:
            raise ConflictError("You agreed to this offer already.")
        is_last = state.lacks(spoken) == [user.id]
        settled = reading.add_adjudication(session, _adjudication(offer, user)) if is_last else None
        settling.add_agreement(
            session,
            offer_id=offer_id,
            reader_id=user.id,
            adjudication_id=None if settled is None else settled.id,
        )
        return _present(view_for(session, user), settling.state_of(session, offer), spoken)


def _adjudication(offer: SettlingOffer, user: User) -> AdjudicationRow:
    return AdjudicationRow(
        candidate_id=offer.candidate_id,
        answer=offer.answer,
        group=offer.group,
        reason=offer.reason,
        remark=offer.remark,
        reader_id=user.id,
    )


def _refuse_outsider(session: Session, row: CandidateRow, user: User) -> Spoken:
    spoken = reading.spoken_of(session, row)
    if not is_unsettled(spoken):
        raise ConflictError(f"The marks of candidate {row.id} do not differ, so nothing is to settle.")
    if user.id not in {mark.reader_id for mark in spoken.marks}:
        raise NotAllowedError(
            "Your mark is not among those that differ. Settle it as a third reader instead."
        )
    return spoken


def _present(view: View, state: OfferState, spoken: Spoken) -> OfferOut:
    offer, lacks = state.offer, state.lacks(spoken)
    return OfferOut(
        id=offer.id,
        candidate_id=offer.candidate_id,
        answer=offer.answer,
        group=offer.group,
        reason=offer.reason,
        remark=offer.remark,
        reader=view.person(offer.reader_id),
        created_at=offer.created_at,
        lacks=[view.person(number) for number in lacks],
        settled=not lacks,
    )
