"""Settling together: one reader who differs offers an answer, and it holds once all of them agree."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import MissingError
from service.store.models import SettlingAgreement, SettlingOffer
from service.store.reading import Spoken


@dataclass(frozen=True)
class OfferState:
    """An offer and the readers who agreed to it, the one who made it among them."""

    offer: SettlingOffer
    agreed_by: frozenset[int]

    def lacks(self, spoken: Spoken) -> list[int]:
        """Readers of standing marks who have not agreed yet."""
        return sorted({mark.reader_id for mark in spoken.marks} - self.agreed_by)

    def is_open(self, spoken: Spoken) -> bool:
        """Whether nobody marked or settled the candidate since."""
        said = [row.created_at for row in spoken.marks]
        said += [row.created_at for row in spoken.adjudications]
        return all(at <= self.offer.created_at for at in said)


def add_offer(session: Session, offer: SettlingOffer) -> OfferState:
    """A new offer; who makes it agrees to it."""
    session.add(offer)
    session.flush()
    return OfferState(offer, frozenset((offer.reader_id,)))


def read_offer(session: Session, offer_id: int) -> SettlingOffer:
    """The offer with that id.

    Raises
    ------
    MissingError
        If there is none.
    """
    offer = session.get(SettlingOffer, offer_id)
    if offer is None:
        raise MissingError(f"There is no offer {offer_id}.")
    return offer


def state_of(session: Session, offer: SettlingOffer) -> OfferState:
    """An offer with those who agreed."""
    wanted = select(SettlingAgreement.reader_id).where(SettlingAgreement.offer_id == offer.id)
    return OfferState(offer, frozenset((offer.reader_id, *session.scalars(wanted))))


def newest_offer(session: Session, spoken: Spoken) -> OfferState | None:
    """The newest offer for a candidate, if it is still open."""
    wanted = (
        select(SettlingOffer)
        .where(SettlingOffer.candidate_id == spoken.candidate.id)
        .order_by(SettlingOffer.id.desc())
        .limit(1)
    )
    offer = session.scalar(wanted)
    state = None if offer is None else state_of(session, offer)
    return state if state is not None and state.is_open(spoken) else None


def settled_together(session: Session, adjudication_id: int) -> list[int]:
    """Readers whose offer and agreements an adjudication holds, maker first; none where one settled it."""
    wanted = select(SettlingAgreement.offer_id).where(SettlingAgreement.adjudication_id == adjudication_id)
    offer_id = session.scalar(wanted)
    if offer_id is None:
        return []
    offer = read_offer(session, offer_id)
    return [offer.reader_id, *sorted(state_of(session, offer).agreed_by - {offer.reader_id})]


def add_agreement(
    session: Session, *, offer_id: int, reader_id: int, adjudication_id: int | None
) -> SettlingAgreement:
    """A reader's agreement, with the adjudication that it brought about."""
    row = SettlingAgreement(offer_id=offer_id, reader_id=reader_id, adjudication_id=adjudication_id)
    session.add(row)
    session.flush()
    return row
