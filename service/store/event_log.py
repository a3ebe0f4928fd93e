"""The log of all that happens to specimens: every change that a session stores, chained by hashes.

A session that writes notes what it stores and appends it to the log in the same transaction, so that there is
no change without its entry. Each entry holds the SHA-256 of the entry before it; each hospital has a chain of
its own. Whoever appends locks the head of the chain until the transaction ends, so that a chain never forks.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Float, Integer, Numeric, String, Text, UniqueConstraint, event, insert, select, text
from sqlalchemy import inspect as inspect_row
from sqlalchemy.orm import Mapped, Session, mapped_column

from service.store.models import Base, CandidateRow, Specimen, utc_now

START = "0" * 64
FIRST_HOSPITAL = 1
# Secrets, marks of life, and what is only on its way.
NOT_LOGGED = frozenset(
    (
        "users",
        "sign_ins",
        "tokens",
        "one_time_links",
        "machines",
        "uploads",
        "reading_places",
        "events",
        "event_heads",
    )
)
# How far work has come is no change in a specimen's life.
_PROGRESS = {
    "jobs": frozenset(
        (
            "zoom_levels",
            "batches_done",
            "batches_total",
            "batch_seconds",
            "attempt",
            "tiles_total",
            "so_far",
            "parts_done",
            "parts_total",
            "part_seconds",
        )
    ),
    "stitchings": frozenset(("attempt",)),
    "detector_runs": frozenset(("attempt", "step", "seconds_left", "curve")),
}
# Whose act a row is, the surest column first: in a second look the reader is who was asked.
_PEOPLE = (
    "asked_by",
    "closed_by",
    "returned_by",
    "opened_by",
    "signed_by",
    "drawn_by",
    "created_by",
    "reader_id",
)
_PARENTS = ("read_id", "mark_id", "sheet_id", "offer_id", "amendment_id")
_LONGEST_VALUE = 4000
_NOTED, _TOOL, _ACTOR = "noted events", "tool candidates", "acting user"


class EventRow(Base):
    """One entry; `content` is its canonical JSON, of which `sha256` is the hash."""

    __tablename__ = "events"
    __table_args__ = (UniqueConstraint("hospital_id", "number"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    hospital_id: Mapped[int] = mapped_column(Integer)
    number: Mapped[int] = mapped_column(Integer)
    specimen_id: Mapped[int | None] = mapped_column(Integer, index=True)
    content: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))


class EventHead(Base):
    """The newest entry of a hospital's chain."""

    __tablename__ = "event_heads"
    hospital_id: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    number: Mapped[int] = mapped_column(Integer)
    sha256: Mapped[str] = mapped_column(String(64))


def canonical(value: Any) -> str:
    """JSON in the one form that is hashed: keys sorted, no spaces, no escapes."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def hash_text(content: str) -> str:
    """SHA-256 of a text in UTF-8, in hexadecimal; a lone surrogate counts as a question mark."""
    return hashlib.sha256(content.encode("utf-8", "replace")).hexdigest()


def note_actor(session: Session, user_id: int) -> None:
    """Say who acts in this session, for rows that don't say it themselves."""
    session.info[_ACTOR] = user_id


class LoggedSession(Session):
    """A session that appends whatever it stores to the log, in the same transaction."""


def snapshot(row: Base) -> dict[str, Any]:
    """The columns of a row as plain JSON values; a long one as its hash."""
    columns = inspect_row(row).mapper.column_attrs
    left_out = _PROGRESS.get(row.__tablename__, frozenset())
    return {
        one.key: _plain(getattr(row, one.key), one.columns[0].type)
        for one in columns
        if one.key not in left_out
    }


def hash_candidate(digest: Any, row: CandidateRow) -> None:
    """Add one candidate of the tool to the hash of its proposal."""
    digest.update(canonical([row.rank, row.is_above_cut, row.said]).encode("utf-8", "replace"))


def list_entries(
    session: Session, hospital_id: int | None = None, *, specimen_id: int | None = None
) -> Iterator[EventRow]:
    """Entries of one hospital, or one specimen, or of all, oldest first, a few hundred at a time."""
    wanted = select(EventRow).order_by(EventRow.hospital_id, EventRow.number)
    if hospital_id is not None:
        wanted = wanted.where(EventRow.hospital_id == hospital_id)
    if specimen_id is not None:
        wanted = wanted.where(EventRow.specimen_id == specimen_id)
    for row in session.scalars(wanted.execution_options(yield_per=500)):
        yield row
        session.expunge(row)


def list_heads(session: Session) -> dict[int, EventHead]:
    """The newest entry of each hospital, as the log itself says."""
    return {
        row.hospital_id: row for row in session.scalars(select(EventHead).order_by(EventHead.hospital_id))
    }


def list_hospitals(session: Session) -> list[int]:
    """Hospitals that have entries or a head."""
    with_entries = session.scalars(select(EventRow.hospital_id).distinct())
    return sorted({*with_entries, *list_heads(session)})


def find_rows(session: Session, table: str, ids: list[int]) -> dict[int, Base]:
    """Rows of a table by id; empty where there is no such table."""
    model = _models().get(table)
    if model is None or not ids:
        return {}
    return {row.id: row for row in session.scalars(select(model).where(model.id.in_(ids)))}


def list_unlogged(session: Session, table: str, logged: set[int]) -> list[int]:
    """Ids of rows that came after the first logged one and that no entry tells of."""
    model = _models()[table]
    wanted = select(model.id).where(model.id >= min(logged)).order_by(model.id)
    if model is CandidateRow:
        wanted = wanted.where(CandidateRow.proposal_id.is_(None))
    return [one for one in session.scalars(wanted) if one not in logged]


def hash_candidates_of(session: Session, proposal_id: int) -> tuple[int, str]:
    """How many candidates a proposal has, and their hash."""
    n_rows, digest = 0, hashlib.sha256()
    wanted = select(CandidateRow).where(CandidateRow.proposal_id == proposal_id).order_by(CandidateRow.id)
    for row in session.scalars(wanted.execution_options(yield_per=500)):
        hash_candidate(digest, row)
        n_rows += 1
    return n_rows, digest.hexdigest()


def _models() -> dict[str, Any]:
    return {mapper.class_.__tablename__: mapper.class_ for mapper in Base.registry.mappers}


def _plain(value: Any, kind: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(kind, Float | Numeric) and value is not None:
        return float(value)
    if isinstance(value, dict | list | tuple | str):
        written = canonical(value)
        if len(written) > _LONGEST_VALUE:
            return {"sha256": hash_text(written), "characters": len(written)}
        return json.loads(written)
    return value


@event.listens_for(LoggedSession, "after_flush")
def _note_changes(session: Session, _: Any) -> None:
    noted = session.info.setdefault(_NOTED, [])
    tool = session.info.setdefault(_TOOL, {})
    for row in session.new:
        if row.__tablename__ in NOT_LOGGED:
            continue
        if isinstance(row, CandidateRow) and row.proposal_id is not None:
            count, digest = tool.setdefault(row.proposal_id, (0, hashlib.sha256()))
            hash_candidate(digest, row)
            tool[row.proposal_id] = (count + 1, digest)
            continue
        noted.append((row, "added", None, snapshot(row)))
    for row in session.dirty:
        if row.__tablename__ not in NOT_LOGGED and (before := _find_before(row)):
            noted.append((row, "changed", before, {key: snapshot(row)[key] for key in before}))
    noted += [
        (row, "removed", snapshot(row), None)
        for row in session.deleted
        if row.__tablename__ not in NOT_LOGGED
    ]


def _find_before(row: Base) -> dict[str, Any]:
    """What the changed columns held."""
    state = inspect_row(row)
    left_out = _PROGRESS.get(row.__tablename__, frozenset())
    before = {}
    for one in state.mapper.column_attrs:
        history = state.attrs[one.key].history
        if one.key not in left_out and history.has_changes():
            before[one.key] = _plain(history.deleted[0] if history.deleted else None, one.columns[0].type)
    return before


@event.listens_for(LoggedSession, "before_commit")
def _append_noted(session: Session) -> None:
    session.flush()
    noted = session.info.pop(_NOTED, [])
    tool = session.info.pop(_TOOL, {})
    entries = []
    for row, what, before, after in noted:
        if row.__tablename__ == "proposals" and what == "added":
            count, digest = tool.get(row.id, (0, hashlib.sha256()))
            after = {**after, "candidates": count, "candidates_sha256": digest.hexdigest()}
        specimen = _find_specimen(session, row)
        entry = {
            "at": utc_now().isoformat(),
            "who": _find_person(session, row, what),
            "what": what,
            "table": row.__tablename__,
            "row": row.id,
            "specimen": None if specimen is None else specimen.id,
            "before": before,
            "after": after,
        }
        entries.append((_find_hospital(row, specimen), entry))
    for hospital_id in sorted({hospital_id for hospital_id, _ in entries}):
        _append(session, hospital_id, [entry for of_one, entry in entries if of_one == hospital_id])


def _append(session: Session, hospital_id: int, entries: list[dict[str, Any]]) -> None:
    """Add entries at the end of a chain, whose head stays locked until the transaction ends."""
    first = {"hospital_id": hospital_id, "sha256": START}
    session.execute(
        text(
            "INSERT INTO event_heads (hospital_id, number, sha256) VALUES (:hospital_id, 0, :sha256) "
            "ON CONFLICT DO NOTHING"
        ),
        first,
    )
    locked = select(EventHead.number, EventHead.sha256).where(EventHead.hospital_id == hospital_id)
    number, previous = session.execute(locked.with_for_update()).one()
    rows = []
    for entry in entries:
        number += 1
        content = canonical({**entry, "hospital": hospital_id, "number": number, "previous_sha256": previous})
        previous = hash_text(content)
        rows.append(
            {
                "hospital_id": hospital_id,
                "number": number,
                "specimen_id": entry["specimen"],
                "content": content,
                "sha256": previous,
            }
        )
    session.execute(insert(EventRow), rows)
    session.execute(
        text("UPDATE event_heads SET number = :number, sha256 = :sha256 WHERE hospital_id = :hospital_id"),
        {"number": number, "sha256": previous, "hospital_id": hospital_id},
    )


def _find_person(session: Session, row: Base, what: str) -> int | None:
    """Whose act it is; None for the service itself."""
    actor: int | None = session.info.get(_ACTOR)
    if actor is not None:
        return actor
    if what != "added":
        return None
    for name in _PEOPLE:
        if isinstance(found := getattr(row, name, None), int):
            return found
    for name in _PARENTS:
        if (parent := _find_parent(session, row, name)) is not None:
            return _find_person(session, parent, what)
    return None


def _find_specimen(session: Session, row: Base) -> Specimen | None:
    """The specimen that a row belongs to, along its foreign keys."""
    if isinstance(row, Specimen):
        return row
    for column in row.__table__.columns:
        for key in column.foreign_keys:
            if (
                key.column.table.name in ("users", "calibrations", "hospitals")
                or key.column.table is row.__table__
            ):
                continue
            parent = _find_parent(session, row, column.key)
            specimen = None if parent is None else _find_specimen(session, parent)
            if specimen is not None:
                return specimen
    return None


def _find_parent(session: Session, row: Base, name: str) -> Base | None:
    value = getattr(row, name, None)
    if value is None or name not in row.__table__.columns:
        return None
    keys = list(row.__table__.columns[name].foreign_keys)
    model = _models().get(keys[0].column.table.name) if keys else None
    found: Base | None = None if model is None else session.get(model, value)
    return found


def _find_hospital(row: Base, specimen: Specimen | None) -> int:
    for one in (specimen, row):
        found = getattr(one, "hospital_id", None)
        if isinstance(found, int):
            return found
    return FIRST_HOSPITAL
