"""Whether the log is as it was written, and its export."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any

from service.settings import Settings
from service.store import detectors, event_log, learners, practice, versions
from service.store.database import Database, Session
from service.store.event_log import EventRow, canonical, hash_text
from service.store.models import APPEND_ONLY
from triage.errors import RecordError

_COMPARED = frozenset(
    (
        *APPEND_ONLY,
        *versions.APPEND_ONLY,
        *detectors.APPEND_ONLY,
        *learners.APPEND_ONLY,
        *practice.APPEND_ONLY,
    )
)
_SHA256 = re.compile("[0-9a-f]{64}")
_MOST_FAULTS = 50
_ROWS_AT_A_TIME = 500


@dataclass(frozen=True)
class LogCheck:
    """What a check of one hospital's log came to.

    Attributes
    ----------
    hospital_id : int or None
        None for an exported file.
    entries : int
    head_sha256 : str
        Of the last entry: kept elsewhere (each reading record prints one), it shows later that nothing
        before it was changed, not even by somebody who wrote the whole log anew.
    faults : tuple of str
        Empty where all holds; the first 50.
    """

    hospital_id: int | None
    entries: int
    head_sha256: str
    faults: tuple[str, ...]


def check_log(session: Session, hospital_id: int, *, known: Mapping[int, str] | None = None) -> LogCheck:
    """Follow one hospital's chain from its first entry, and compare the records with what it says.

    Parameters
    ----------
    known : mapping, optional
        Hash that an entry must have, by its number, as somebody kept it outside.
    """
    faults: list[str] = []
    number, previous = 0, event_log.START
    wanted = dict(known or {})
    entries = event_log.list_entries(session, hospital_id)
    logged: dict[str, set[int]] = {}
    while some := list(islice(entries, _ROWS_AT_A_TIME)):
        for row in some:
            faults += _check_entry(row, number, previous)
            number, previous = row.number, row.sha256
            faults += _check_known(row, wanted)
        faults += _compare_records(session, some, logged)
    faults += _list_missing(wanted)
    faults += _check_head(session, hospital_id, number, previous)
    return LogCheck(hospital_id, number, previous, tuple(faults[:_MOST_FAULTS]))


def check_unlogged(session: Session) -> tuple[str, ...]:
    """Rows that no hospital's log tells of, though others of their table after or before are there."""
    logged: dict[str, set[int]] = {}
    for row in event_log.list_entries(session):
        _note_logged(_read(row.content), logged)
    return tuple(
        f"Row {missing} of {table} stands in the records, but no entry tells of it."
        for table, ids in sorted(logged.items())
        for missing in event_log.list_unlogged(session, table, ids)
    )


def export_lines(session: Session, hospital_id: int | None = None) -> Iterator[str]:
    """The log as JSON lines: `event` as it was hashed, and its `sha256`."""
    for row in event_log.list_entries(session, hospital_id):
        yield f'{{"event":{row.content},"sha256":"{row.sha256}"}}\n'


def check_lines(lines: Iterable[str], *, known: Mapping[int, str] | None = None) -> LogCheck:
    """Follow the chains of an exported log; `known` as for `check_log`.

    Raises
    ------
    RecordError
        If a line is no entry of an export.
    """
    faults: list[str] = []
    heads: dict[int, tuple[int, str]] = {}
    wanted, total = dict(known or {}), 0
    for place, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            read = json.loads(line)
            content, sha256 = canonical(read["event"]), str(read["sha256"])
            hospital_id, number = int(read["event"]["hospital"]), int(read["event"]["number"])
        except (ValueError, KeyError, TypeError) as err:
            raise RecordError(
                f"Line {place} is no entry of an exported log: {line[:60]!r}. Give a file "
                "that the export wrote."
            ) from err
        row = EventRow(hospital_id=hospital_id, number=number, content=content, sha256=sha256)
        row.specimen_id = read["event"].get("specimen")
        faults += _check_entry(row, *heads.get(hospital_id, (0, event_log.START)))
        heads[hospital_id] = (number, sha256)
        faults += _check_known(row, wanted)
        total += 1
    faults += _list_missing(wanted)
    last = list(heads.values())[-1][1] if heads else event_log.START
    return LogCheck(None, total, last, tuple(faults[:_MOST_FAULTS]))


def check_records(settings: Settings, known: Mapping[int, str]) -> list[LogCheck]:
    """The logs of all hospitals in the records that the settings name, and what no log tells of."""
    with closing(Database(settings.records_url())) as database:
        database.migrate()
        with database.read() as session:
            unlogged = check_unlogged(session)
            hospitals = event_log.list_hospitals(session)
            checks = [check_log(session, one, known=known) for one in hospitals]
    return [
        replace(one, faults=(*one.faults, *unlogged)) if place == 0 else one
        for place, one in enumerate(checks)
    ]


def export_records(settings: Settings, out: Path) -> int:
    """Write the log of the records that the settings name; how many entries it has."""
    n_entries = 0
    with closing(Database(settings.records_url())) as database:
        database.migrate()
        with database.read() as session, out.open("w", encoding="utf-8") as file:
            for line in export_lines(session):
                file.write(line)
                n_entries += 1
    return n_entries


def read_known(texts: Sequence[str]) -> dict[int, str]:
    """Hashes by number of entry, from texts like `12:5e3a…`.

    Raises
    ------
    RecordError
        If one has another form.
    """
    known = {}
    for text in texts:
        number, _, sha256 = text.partition(":")
        if not (number.isascii() and number.isdigit() and _SHA256.fullmatch(sha256)):
            raise RecordError(
                f"A known entry is {text!r}; it must be its number, a colon and its 64 hexadecimal digits. "
                "Copy both from the paper."
            )
        known[int(number)] = sha256
    return known


def _check_known(row: EventRow, wanted: dict[int, str]) -> Iterator[str]:
    expected = wanted.pop(row.number, row.sha256)
    if expected != row.sha256:
        yield f"Entry {row.number} has the hash {row.sha256}; the one kept outside is {expected}."


def _list_missing(wanted: Mapping[int, str]) -> Iterator[str]:
    for number, expected in wanted.items():
        yield f"There is no entry {number}; the hash kept outside is {expected}."


def _read(content: str) -> dict[str, Any]:
    try:
        read = json.loads(content)
    except ValueError:
        return {}
    return read if isinstance(read, dict) else {}


def _check_entry(row: EventRow, number: int, previous: str) -> Iterator[str]:
    content = _read(row.content)
    if row.number != number + 1:
        yield f"Entry {row.number} follows entry {number}: what stood between is missing."
    if hash_text(row.content) != row.sha256:
        yield f"Entry {row.number} was changed: its content doesn't have the hash that was written with it."
    if content.get("previous_sha256") != previous:
        yield f"Entry {row.number} doesn't follow from the entry before it."
    stated = (content.get("hospital"), content.get("number"), content.get("specimen"))
    if stated != (row.hospital_id, row.number, row.specimen_id):
        yield f"Entry {row.number} was moved: its content names another place."


def _check_head(session: Session, hospital_id: int, number: int, previous: str) -> Iterator[str]:
    head = event_log.list_heads(session).get(hospital_id)
    if head is None or (head.number, head.sha256) != (number, previous):
        last = "none" if head is None else str(head.number)
        yield f"The log ends at entry {number}, written up to {last}. Entries at the end are missing."


def _note_logged(content: Mapping[str, Any], logged: dict[str, set[int]]) -> None:
    table, row_id = content.get("table"), content.get("row")
    if content.get("what") == "added" and table in _COMPARED and isinstance(row_id, int):
        logged.setdefault(str(table), set()).add(row_id)


def _compare_records(session: Session, rows: list[EventRow], logged: dict[str, set[int]]) -> Iterator[str]:
    """What append-only records say now, against what was logged when they were added."""
    added = [content for row in rows if (content := _read(row.content)).get("what") == "added"]
    added = [content for content in added if content.get("table") in _COMPARED]
    for table in sorted({str(content["table"]) for content in added}):
        of_table = [content for content in added if content["table"] == table]
        now = event_log.find_rows(session, table, [content["row"] for content in of_table])
        for content in of_table:
            _note_logged(content, logged)
            row = now.get(content["row"])
            if row is None:
                yield f"Row {content['row']} of {table} is gone from the records (entry {content['number']})."
                continue
            said = event_log.snapshot(row)
            if table == "proposals":
                count, digest = event_log.hash_candidates_of(session, content["row"])
                said |= {"candidates": count, "candidates_sha256": digest}
            different = sorted(name for name, value in content["after"].items() if said.get(name) != value)
            if different:
                yield (
                    f"Row {content['row']} of {table} was changed past the log: {', '.join(different)} "
                    f"(entry {content['number']})."
                )
