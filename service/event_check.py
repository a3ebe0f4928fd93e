"""Whether the log is as it was written, and its export."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any

from service.store import event_log, versions
from service.store.database import Session
from service.store.event_log import EventRow, canonical, hash_text
from service.store.models import APPEND_ONLY
from triage.errors import RecordError

_COMPARED = frozenset((*APPEND_ONLY, *versions.APPEND_ONLY))
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
            if wanted.get(number, previous) != previous:
                faults.append(
                    f"Entry {number} has the hash {previous}; the one kept outside is {wanted[number]}."
                )
            wanted.pop(number, None)
        faults += _compare_records(session, some, logged)
    faults += [
        f"There is no entry {missing}; the hash kept outside is {wanted[missing]}." for missing in wanted
    ]
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


def check_lines(lines: Iterable[str]) -> LogCheck:
    """Follow the chains of an exported log.

    Raises
    ------
    RecordError
        If a line is no entry of an export.
    """
    faults: list[str] = []
    heads: dict[int, tuple[int, str]] = {}
    total = 0
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
        total += 1
    last = list(heads.values())[-1][1] if heads else event_log.START
    return LogCheck(None, total, last, tuple(faults[:_MOST_FAULTS]))


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
