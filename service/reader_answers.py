"""What each reader said of each object of signed specimens, on their own, beside what held in the end.

Only answers given before a reader could see what others had said count. A first reader's count until somebody
else marks the picture; those of a blind second look until it is closed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from service.settle import current_answer
from service.store import images, reading, specimens
from service.store.changes import boxes_of
from service.store.database import Session
from service.store.models import MarkRow
from service.store.reading import ReadState, Spoken
from service.store.specimens import SecondLookState
from triage.match_finds import match_finds

NOTHING, UNSURE = "nothing", "unsure"
# The newest specimens; older ones speak of other people and another tool.
MOST_SPECIMENS = 500
_NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True)
class ObjectSaid:
    """One object of one picture.

    Attributes
    ----------
    specimen_id, image_id : int
    truth : str
        The group that held at sign-off, or `NOTHING` where it was rejected.
    first : dict of int to str
        By reader, the last answer before others could be seen: a group, `NOTHING` or `UNSURE`.
    unaided, aided : dict of int to str
        By reader, what was said before the lock of an unaided read, and with the proposals in sight.
    is_checked : bool
        Whether two readers or more marked the picture, so that what held is more than one person's word.
    """

    specimen_id: int
    image_id: int
    truth: str
    first: dict[int, str]
    unaided: dict[int, str]
    aided: dict[int, str]
    is_checked: bool


@dataclass(frozen=True)
class _Look:
    """One reader at one picture; `until`: what was said later counts no more."""

    reader_id: int
    until: datetime
    unaided: ReadState | None
    has_finished: bool


def list_objects_said(session: Session) -> list[ObjectSaid]:
    """The objects of the newest signed specimens that somebody marked and that were settled."""
    ids = specimens.signed_off_ids(session)[-MOST_SPECIMENS:]
    states = images.list_image_states(session, ids)
    looks = specimens.list_second_looks(session)
    return [
        said
        for specimen_id in ids
        for state in states[specimen_id]
        for said in _of_image(
            session,
            specimen_id,
            state.image.id,
            [one for one in looks if one.look.specimen_id == specimen_id],
        )
    ]


def join_places(spoken: Sequence[Spoken]) -> list[tuple[Spoken, ...]]:
    """Candidates of one picture that stand for one object, whatever group each was given.

    Each reader's drawn boxes are paired with what is there already, one with one, as `match_finds` does.
    """
    places = [[one] for one in spoken if one.candidate.drawn_by is None]
    drawers = sorted({one.candidate.drawn_by for one in spoken if one.candidate.drawn_by is not None})
    for reader_id in drawers:
        drawn = [one for one in spoken if one.candidate.drawn_by == reader_id]
        pairs = dict(match_finds(boxes_of(drawn), boxes_of([place[0] for place in places])))
        for number, one in enumerate(drawn):
            if number in pairs:
                places[pairs[number]].append(one)
            else:
                places.append([one])
    return [tuple(place) for place in places]


def _of_image(
    session: Session, specimen_id: int, image_id: int, looks: Sequence[SecondLookState]
) -> Iterator[ObjectSaid]:
    places = join_places(reading.list_spoken(session, [image_id]))
    marks = [mark for place in places for mark in _marks(place)]
    readers = sorted({mark.reader_id for mark in marks})
    reads = reading.list_reads(session, [image_id])
    judged = [_look(reader_id, places, marks, reads, looks) for reader_id in readers]
    for place in places:
        truth = _find_truth(place)
        if truth is None:
            continue
        yield ObjectSaid(
            specimen_id,
            image_id,
            truth,
            first=_drop_silent({one.reader_id: _say_aided(place, one) for one in judged}),
            unaided=_drop_silent({one.reader_id: _say_unaided(place, one) for one in judged}),
            aided=_drop_silent({one.reader_id: _say_aided(place, one) for one in judged if one.has_finished}),
            is_checked=len(readers) > 1,
        )


def _drop_silent(said: Mapping[int, str | None]) -> dict[int, str]:
    return {reader_id: answer for reader_id, answer in said.items() if answer is not None}


def _look(
    reader_id: int,
    places: Sequence[tuple[Spoken, ...]],
    marks: Sequence[MarkRow],
    reads: Sequence[ReadState],
    looks: Sequence[SecondLookState],
) -> _Look:
    started = min(mark.created_at for mark in marks if mark.reader_id == reader_id)
    others = [mark.created_at for mark in marks if mark.reader_id != reader_id]
    until = _blind_until(reader_id, started, looks) or min(others, default=_NEVER)
    unaided = next(
        (
            one
            for one in reads
            if one.read.reader_id == reader_id
            and one.read.mode == "unaided"
            and not one.read.shown_before
            and one.lock is not None
            and one.lock.locked_at <= until
        ),
        None,
    )
    to_mark = [place for place in places if any(_must_be_marked(one) for one in place)]
    has_finished = all(_own(place, reader_id, until) for place in to_mark)
    return _Look(reader_id, until, unaided, has_finished)


def _blind_until(reader_id: int, started: datetime, looks: Sequence[SecondLookState]) -> datetime | None:
    """The end of the blind second look in which a reader began; None outside of one."""
    for state in looks:
        closed = _NEVER if state.closing is None else state.closing.closed_at
        is_in = state.look.created_at <= started <= closed
        if state.look.is_blind and is_in and state.may_be_of(reader_id):
            return closed
    return None


def _must_be_marked(spoken: Spoken) -> bool:
    return spoken.candidate.origin == "tool" and spoken.candidate.is_above_cut


def _say_aided(place: tuple[Spoken, ...], look: _Look) -> str | None:
    """The last answer that counts; who finished the picture and said nothing of an object did not see it."""
    own = _own(place, look.reader_id, look.until)
    if own:
        return _to_answer(own[-1])
    is_tool = any(one.candidate.origin == "tool" for one in place)
    return NOTHING if look.has_finished and not is_tool else None


def _say_unaided(place: tuple[Spoken, ...], look: _Look) -> str | None:
    if look.unaided is None:
        return None
    own = [one for one in _own(place, look.reader_id, look.until) if one.read_id == look.unaided.read.id]
    return _to_answer(own[-1]) if own else NOTHING


def _own(place: tuple[Spoken, ...], reader_id: int, until: datetime) -> list[MarkRow]:
    return [one for one in _marks(place) if one.reader_id == reader_id and one.created_at <= until]


def _marks(place: tuple[Spoken, ...]) -> list[MarkRow]:
    return sorted((mark for one in place for mark in one.marks), key=lambda mark: mark.id)


def _find_truth(place: tuple[Spoken, ...]) -> str | None:
    """What held; a settled candidate goes before others at its place."""
    settled = sorted(place, key=lambda one: not one.adjudications)
    answers = [(one, current_answer(one)) for one in settled]
    for one, answer in answers:
        if answer is not None and answer.answer == "confirm":
            return answer.group or one.candidate.group
    return NOTHING if any(answer is not None and answer.answer == "reject" for _, answer in answers) else None


def _to_answer(mark: MarkRow) -> str:
    if mark.answer == "confirm" and mark.group is not None:
        return mark.group
    return NOTHING if mark.answer == "reject" else UNSURE
