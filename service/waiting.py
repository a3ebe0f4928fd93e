"""What waits for whom, and since when: second looks, marks that differ, offers, calls for the doctor."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from service.accounts import has_role
from service.drawn_alone import find_drawn_alone
from service.present import View, is_blinded
from service.reading_schemas import WaitingOut
from service.settle import is_unsettled
from service.store import doctor_calls, images, reading, settling, specimens
from service.store.models import CandidateRow, Specimen
from service.store.reading import Spoken
from service.store.specimens import SecondLookState


@dataclass(frozen=True)
class Place:
    """Where something waits."""

    specimen: Specimen
    spoken: Spoken | None = None


def list_waiting(view: View) -> list[WaitingOut]:
    """All that waits in specimens that are not signed off, the longest first.

    What a reader must not know yet, because of an open blind second look or an unaided read, is left out.
    """
    found = [*_second_looks(view), *_differing(view), *_drawn_alone(view), *_calls(view)]
    return sorted(found, key=lambda one: one.since)


def _second_looks(view: View) -> Iterator[WaitingOut]:
    for state in specimens.list_second_looks(view.session):
        if state.closing is not None:
            continue
        specimen = specimens.read_specimen(view.session, state.look.specimen_id)
        yield _item(
            view,
            Place(specimen),
            kind="second_look",
            number=state.look.id,
            since=state.look.created_at,
            asked_by=state.look.asked_by,
            waits_for=state.reader_id,
            is_mine=state.may_be_of(view.user.id) and has_role(view.user, "reader"),
            may_be_taken=state.reader_id is None,
            may_be_given_back=_may_give_back(view, state),
            blind=state.look.is_blind,
        )


def _may_give_back(view: View, state: SecondLookState) -> bool:
    if state.claim is None:
        return False
    return has_role(view.user, "reader" if state.claim.reader_id == view.user.id else "veterinarian")


def _differing(view: View) -> Iterator[WaitingOut]:
    """Candidates whose readers differ; an offer to settle together waits for those who have not agreed."""
    for place in _places(view, reading.list_marked_by_several(view.session)):
        spoken = place.spoken
        if spoken is None or not is_unsettled(spoken):
            continue
        offer = settling.newest_offer(view.session, spoken)
        if offer is not None:
            for reader_id in offer.lacks(spoken):
                yield _item(
                    view,
                    place,
                    kind="settling_offer",
                    number=offer.offer.id,
                    since=offer.offer.created_at,
                    asked_by=offer.offer.reader_id,
                    waits_for=reader_id,
                    is_mine=reader_id == view.user.id,
                    words=offer.offer.remark,
                )
            continue
        is_party = view.user.id in {mark.reader_id for mark in spoken.marks}
        may_settle = has_role(view.user, "reader") and (not is_party or has_role(view.user, "veterinarian"))
        yield _item(
            view,
            place,
            kind="differing_marks",
            number=spoken.candidate.id,
            since=spoken.marks[-1].created_at,
            asked_by=spoken.marks[-1].reader_id,
            is_mine=may_settle or is_party,
        )


def _drawn_alone(view: View) -> Iterator[WaitingOut]:
    """Objects that one of several readers drew; whoever of the others marks one settles it or differs."""
    numbers = reading.list_drawn_in(view.session)
    of_specimen = {specimen_id: find_drawn_alone(view.session, specimen_id) for specimen_id in numbers}
    alone = {one.spoken.candidate.id: one for found in of_specimen.values() for one in found}
    for place in _places(view, list(alone)):
        row = None if place.spoken is None else place.spoken.candidate
        if row is None or row.drawn_by is None:
            continue
        yield _item(
            view,
            place,
            kind="drawn_alone",
            number=row.id,
            since=row.created_at,
            asked_by=row.drawn_by,
            is_mine=row.drawn_by != view.user.id and has_role(view.user, "reader"),
        )


def _places(view: View, candidate_ids: list[int]) -> Iterator[Place]:
    """Those of some candidates that this person may know of, in specimens that are not signed off."""
    for number in candidate_ids:
        row = reading.read_candidate(view.session, number)
        specimen = specimens.specimen_of_image(view.session, row.image_id)
        if specimens.sign_offs_of(view.session, [specimen.id]):
            continue
        is_hidden = is_blinded(view, specimen.id) or reading.is_withheld(
            view.session, image_id=row.image_id, reader_id=view.user.id
        )
        if not is_hidden:
            yield Place(specimen, reading.spoken_of(view.session, row))


def _calls(view: View) -> Iterator[WaitingOut]:
    states = {state.call.candidate_id: state for state in doctor_calls.list_open_calls(view.session)}
    for place in _places(view, list(states)):
        if place.spoken is None:
            continue
        call = states[place.spoken.candidate.id].call
        yield _item(
            view,
            place,
            kind="doctor_call",
            number=call.id,
            since=call.created_at,
            asked_by=call.created_by,
            role="veterinarian",
            is_mine=has_role(view.user, "veterinarian"),
            words=call.words,
        )


def _item(
    view: View,
    place: Place,
    *,
    kind: str,
    number: int,
    since: datetime,
    asked_by: int,
    is_mine: bool,
    waits_for: int | None = None,
    role: str = "reader",
    words: str | None = None,
    blind: bool = False,
    may_be_taken: bool = False,
    may_be_given_back: bool = False,
) -> WaitingOut:
    row = None if place.spoken is None else place.spoken.candidate
    image = None if row is None else images.read_image_state(view.session, row.image_id).image
    return WaitingOut(
        kind=kind,  # type: ignore[arg-type]
        id=number,
        specimen_id=place.specimen.id,
        specimen_code=place.specimen.code,
        image_id=None if image is None else image.id,
        file_name=None if image is None else image.file_name,
        candidate_id=None if row is None else row.id,
        rank=None if row is None else row.rank,
        object_number=None if row is None else _object_number(view, row),
        asked_by=view.person(asked_by),
        waits_for=None if waits_for is None else view.person(waits_for),
        role=role,
        since=since,
        words=words,
        is_mine=is_mine,
        may_be_taken=may_be_taken,
        may_be_given_back=may_be_given_back,
        blind=blind,
    )


def _object_number(view: View, row: CandidateRow) -> int | None:
    """As the reading page counts the added objects of a picture; None if it was taken back."""
    if row.origin != "reader":
        return None
    spoken = reading.list_spoken(view.session, [row.image_id])
    of_readers = [one.candidate.id for one in spoken if one.candidate.origin == "reader"]
    return of_readers.index(row.id) + 1 if row.id in of_readers else None
