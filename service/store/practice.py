"""Practice: collections of slides whose objects are known, reads of them, and how much of it is asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, ForeignKey, String, UniqueConstraint, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from service.errors import ConflictError, MissingError, NotAllowedError
from service.store.models import Base, HospitalOwned, utc_now
from triage.practice import Find, GroupStanding, Known, Outcome, judge_finds, measure_standing

APPEND_ONLY = (
    "practice_collections",
    "practice_slides",
    "practice_reads",
    "practice_ends",
    "practice_rules",
)


class PracticeCollection(HospitalOwned, Base):
    """Slides to practise on, taken from a labelled set; `set_id` where it is one of the hospital's own."""

    __tablename__ = "practice_collections"
    __table_args__ = (UniqueConstraint("hospital_id", "manifest_sha256"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    set_id: Mapped[int | None] = mapped_column(ForeignKey("labelled_sets.id"))
    manifest_sha256: Mapped[str] = mapped_column(String(64))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


class PracticeSlide(HospitalOwned, Base):
    """One picture of a collection; `known` are its labelled objects, `ignored` what labels leave open."""

    __tablename__ = "practice_slides"
    id: Mapped[int] = mapped_column(primary_key=True)
    collection_id: Mapped[int] = mapped_column(ForeignKey("practice_collections.id"), index=True)
    number: Mapped[int]
    sha256: Mapped[str] = mapped_column(String(64))
    n_bytes: Mapped[int] = mapped_column(BigInteger)
    width: Mapped[int]
    height: Mapped[int]
    zoom_levels: Mapped[int]
    um_per_px: Mapped[float | None]
    known: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    ignored: Mapped[list[list[float]]] = mapped_column(JSON)


class PracticeRead(HospitalOwned, Base):
    """A learner's read of a slide; `is_again` where the answers had been shown before."""

    __tablename__ = "practice_reads"
    id: Mapped[int] = mapped_column(primary_key=True)
    slide_id: Mapped[int] = mapped_column(ForeignKey("practice_slides.id"), index=True)
    reader_id: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)
    is_again: Mapped[bool]
    started_at: Mapped[datetime] = mapped_column(default=utc_now)


class PracticeFind(HospitalOwned, Base):
    """A learner's box; `taken_back_at` where it was taken back before the end of the read."""

    __tablename__ = "practice_finds"
    id: Mapped[int] = mapped_column(primary_key=True)
    read_id: Mapped[int] = mapped_column(ForeignKey("practice_reads.id"), index=True)
    bbox: Mapped[list[float]]
    group: Mapped[str] = mapped_column(String(80))
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    taken_back_at: Mapped[datetime | None]


class PracticeEnd(HospitalOwned, Base):
    """The end of a practice read, with what became of each object and find."""

    __tablename__ = "practice_ends"
    id: Mapped[int] = mapped_column(primary_key=True)
    read_id: Mapped[int] = mapped_column(ForeignKey("practice_reads.id"), unique=True)
    outcomes: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    ended_at: Mapped[datetime] = mapped_column(default=utc_now)


class PracticeRule(HospitalOwned, Base):
    """How much practice comes before somebody reads alone; the newest holds, and 0 objects ask for none."""

    __tablename__ = "practice_rules"
    id: Mapped[int] = mapped_column(primary_key=True)
    objects_per_group: Mapped[int]
    share_right: Mapped[float]
    created_at: Mapped[datetime] = mapped_column(default=utc_now)
    created_by: Mapped[int] = mapped_column(ForeignKey("users.id"))


@dataclass(frozen=True)
class PracticeState:
    """A practice read with the finds that hold, and its end, if any."""

    read: PracticeRead
    finds: tuple[PracticeFind, ...]
    end: PracticeEnd | None


def find_collection(session: Session, manifest_sha256: str) -> PracticeCollection | None:
    """The collection that was made of this labelled set."""
    wanted = select(PracticeCollection).where(PracticeCollection.manifest_sha256 == manifest_sha256)
    return session.scalar(wanted)


def add_collection(
    session: Session, collection: PracticeCollection, slides: Sequence[PracticeSlide]
) -> PracticeCollection:
    """A new collection with its slides."""
    session.add(collection)
    session.flush()
    for slide in slides:
        slide.collection_id = collection.id
        session.add(slide)
    session.flush()
    return collection


def list_collections(session: Session) -> list[PracticeCollection]:
    """All collections, oldest first."""
    return list(session.scalars(select(PracticeCollection).order_by(PracticeCollection.id)))


def list_slides(session: Session) -> list[PracticeSlide]:
    """The slides of all collections, in order."""
    wanted = select(PracticeSlide).order_by(PracticeSlide.collection_id, PracticeSlide.number)
    return list(session.scalars(wanted))


def read_slide(session: Session, slide_id: int) -> PracticeSlide:
    """The slide with that id.

    Raises
    ------
    MissingError
        If there is none.
    """
    slide = session.get(PracticeSlide, slide_id)
    if slide is None:
        raise MissingError(f"There is no practice slide {slide_id}.")
    return slide


def list_states(session: Session, *, reader_id: int, slide_id: int | None = None) -> list[PracticeState]:
    """A learner's practice reads of one slide, or of all, oldest first."""
    wanted = (
        select(PracticeRead, PracticeEnd)
        .outerjoin(PracticeEnd, PracticeEnd.read_id == PracticeRead.id)
        .where(PracticeRead.reader_id == reader_id)
        .order_by(PracticeRead.id)
    )
    if slide_id is not None:
        wanted = wanted.where(PracticeRead.slide_id == slide_id)
    rows = [(read, end) for read, end in session.execute(wanted)]
    finds = _list_finds(session, [read.id for read, _ in rows])
    return [PracticeState(read, tuple(finds[read.id]), end) for read, end in rows]


def _list_finds(session: Session, read_ids: Sequence[int]) -> dict[int, list[PracticeFind]]:
    finds: dict[int, list[PracticeFind]] = {read_id: [] for read_id in read_ids}
    wanted = (
        select(PracticeFind)
        .where(PracticeFind.read_id.in_(read_ids), PracticeFind.taken_back_at.is_(None))
        .order_by(PracticeFind.id)
    )
    for find in session.scalars(wanted):
        finds[find.read_id].append(find)
    return finds


def begin_read(session: Session, *, slide_id: int, reader_id: int) -> PracticeState:
    """The learner's open read of a slide, begun now if there is none."""
    states = list_states(session, reader_id=reader_id, slide_id=slide_id)
    if states and states[-1].end is None:
        return states[-1]
    read = PracticeRead(slide_id=slide_id, reader_id=reader_id, is_again=bool(states))
    session.add(read)
    session.flush()
    return PracticeState(read, (), None)


def open_read(session: Session, read_id: int, *, reader_id: int) -> PracticeState:
    """A learner's own read that has not ended.

    Raises
    ------
    MissingError
        If there is no such read.
    NotAllowedError
        If it is somebody else's.
    ConflictError
        If it has ended.
    """
    read = session.get(PracticeRead, read_id, with_for_update=True)
    if read is None:
        raise MissingError(f"There is no practice read {read_id}.")
    if read.reader_id != reader_id:
        raise NotAllowedError("Only its own reader may go on with a practice read.")
    if session.scalar(select(PracticeEnd.id).where(PracticeEnd.read_id == read_id)) is not None:
        raise ConflictError("This practice read has ended. Begin it again; it then counts no more.")
    return PracticeState(read, tuple(_list_finds(session, [read_id])[read_id]), None)


def add_find(session: Session, *, read_id: int, bbox: list[float], group: str) -> PracticeFind:
    """A box of an open read."""
    find = PracticeFind(read_id=read_id, bbox=bbox, group=group)
    session.add(find)
    session.flush()
    return find


def take_back(session: Session, find_id: int, *, reader_id: int) -> None:
    """Take back an own find, as long as its read is open.

    Raises
    ------
    MissingError
        If there is no such find, or it was taken back already.
    """
    find = session.get(PracticeFind, find_id)
    if find is None or find.taken_back_at is not None:
        raise MissingError(f"There is no practice find {find_id}.")
    open_read(session, find.read_id, reader_id=reader_id)
    find.taken_back_at = utc_now()
    session.flush()


def end_read(session: Session, state: PracticeState) -> PracticeState:
    """End an open read, and keep what became of each object and find."""
    slide = read_slide(session, state.read.slide_id)
    finds = [Find(_to_box(find.bbox), find.group) for find in state.finds]
    outcomes = judge_finds(finds, list_known(slide), [_to_box(box) for box in slide.ignored])
    end = PracticeEnd(read_id=state.read.id, outcomes=[asdict(one) for one in outcomes])
    session.add(end)
    session.flush()
    return PracticeState(state.read, state.finds, end)


def list_known(slide: PracticeSlide) -> list[Known]:
    """The labelled objects of a slide."""
    return [Known(**{**row, "bbox_xywh": _to_box(row["bbox_xywh"])}) for row in slide.known]


def list_outcomes(end: PracticeEnd) -> list[Outcome]:
    """What became of each object and find of a read."""
    return [Outcome(**{**row, "bbox_xywh": _to_box(row["bbox_xywh"])}) for row in end.outcomes]


def _to_box(values: Sequence[float]) -> tuple[float, float, float, float]:
    x, y, width, height = values
    return x, y, width, height


def add_rule(session: Session, *, objects_per_group: int, share_right: float, user_id: int) -> PracticeRule:
    """A rule that holds from now on."""
    row = PracticeRule(objects_per_group=objects_per_group, share_right=share_right, created_by=user_id)
    session.add(row)
    session.flush()
    return row


def newest_rule(session: Session, *, hospital_id: int) -> PracticeRule | None:
    """The rule that holds in a hospital; None where none was ever made."""
    wanted = select(PracticeRule).where(PracticeRule.hospital_id == hospital_id)
    return session.scalar(wanted.order_by(PracticeRule.id.desc()).limit(1))


def find_standing(session: Session, *, reader_id: int, hospital_id: int) -> list[GroupStanding]:
    """How far somebody has come in each group that slides are there for, by the rule that holds."""
    rule = newest_rule(session, hospital_id=hospital_id)
    slides = [slide for slide in list_slides(session) if slide.hospital_id == hospital_id]
    available = Counter(row["group"] for slide in slides for row in slide.known)
    here = {slide.id for slide in slides}
    states = list_states(session, reader_id=reader_id)
    first = [one for one in states if not one.read.is_again and one.read.slide_id in here]
    counted = sorted((one.end for one in first if one.end is not None), key=lambda end: end.id)
    return measure_standing(
        [outcome for end in counted for outcome in list_outcomes(end)],
        available,
        n_needed=0 if rule is None else rule.objects_per_group,
        share_needed=0.0 if rule is None else rule.share_right,
    )
