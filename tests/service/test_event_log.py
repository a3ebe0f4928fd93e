"""The log of all changes: what it holds, its chain under many writers, tampering found, the export."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest
from backends import Backend
from service_calls import list_candidates, mark, ok, problem

from service.event_check import check_lines, check_log, check_unlogged, export_lines
from service.settings import Settings
from service.store import event_log, people, specimens
from service.store.database import Database
from service.store.models import Preparation, Specimen
from triage.errors import RecordError


@pytest.fixture
def place(backend: Backend, tmp_path: Path) -> Settings:
    """Settings of records that nothing is in yet."""
    return Settings(data_folder=tmp_path, **backend.new_place())


@pytest.fixture
def database(place: Settings) -> Iterator[Database]:
    database = Database(place.records_url())
    database.migrate()
    with database.write() as session:
        user = people.add_user(session, user_name="a", display_name="A", role="reader", password_hash="x")
    yield database.within(user.hospital_id)
    database.close()


def _file(database: Database, code: str) -> int:
    with database.write() as session:
        specimen = Specimen(code=code, species="dog", animal_label="", remarks="", created_by=1)
        preparation = Preparation(method="passive", solution="sugar", specific_gravity=1)
        return specimens.add_specimen(session, specimen, preparation).id


def _faults(database: Database, **known: Any) -> tuple[str, ...]:
    with database.read() as session:
        found = [check_log(session, one, **known).faults for one in event_log.list_hospitals(session)]
        return (*(fault for faults in found for fault in faults), *check_unlogged(session))


def _events(database: Database) -> list[dict[str, Any]]:
    with database.read() as session:
        return [json.loads(row.content) for row in event_log.list_entries(session)]


@pytest.mark.on_both
def test_each_change_is_logged_with_who_what_and_what_it_became(database: Database) -> None:
    specimen_id = _file(database, "S-1")
    first, second = _events(database)[-2:]
    assert (first["what"], first["table"], first["who"], first["before"]) == ("added", "specimens", 1, None)
    assert first["after"]["code"] == "S-1" and first["specimen"] == specimen_id
    assert (second["table"], second["specimen"]) == ("preparations", specimen_id)
    assert second["number"] == first["number"] + 1
    assert second["previous_sha256"] == event_log.hash_text(event_log.canonical(first))


@pytest.mark.on_both
def test_what_was_not_stored_is_not_logged(database: Database) -> None:
    before = _events(database)
    with pytest.raises(ZeroDivisionError), database.write() as session:
        session.add(Specimen(code="half", species="dog", animal_label="", remarks="", created_by=1))
        session.flush()
        raise ZeroDivisionError
    assert _events(database) == before


@pytest.mark.on_both
def test_many_writers_at_once_keep_one_chain(database: Database) -> None:
    n_before = len(_events(database))
    with ThreadPoolExecutor(8) as together:
        for done in [together.submit(_file, database, f"S-{number}") for number in range(60)]:
            done.result()
    numbers = [one["number"] for one in _events(database)]
    assert numbers == list(range(1, n_before + 121))
    assert _faults(database) == ()


@pytest.fixture
def tampered(tmp_path: Path) -> Iterator[tuple[Database, sqlite3.Connection]]:
    """Records of three specimens whose triggers somebody took off behind the service's back."""
    database = Database(f"sqlite:///{tmp_path / 'records.sqlite'}")
    database.migrate()
    with database.write() as session:
        user = people.add_user(session, user_name="a", display_name="A", role="reader", password_hash="x")
    database = database.within(user.hospital_id)
    for number in range(3):
        _file(database, f"S-{number}")
    raw = sqlite3.connect(tmp_path / "records.sqlite", isolation_level=None)
    for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    yield database, raw
    raw.close()
    database.close()


def test_check_finds_nothing_where_nothing_was_changed(tampered: tuple[Database, Any]) -> None:
    assert _faults(tampered[0]) == ()


@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        (
            "UPDATE events SET content = replace(content, 'S-1', 'S-9') WHERE number = @3",
            "Entry @3 was changed",
        ),
        ("DELETE FROM events WHERE number = @3", "Entry @4 follows entry @2"),
        ("DELETE FROM events WHERE number >= @5", "Entries at the end are missing"),
        ("UPDATE events SET specimen_id = 1 WHERE number = @3", "Entry @3 was moved"),
        (
            "UPDATE specimens SET species = 'cat' WHERE id = 2",
            "Row 2 of specimens was changed past the log: spec",
        ),
        ("DELETE FROM preparations WHERE id = 2", "Row 2 of preparations is gone"),
        (
            "INSERT INTO preparations (specimen_id, method, solution) VALUES (1, 'passive', 'salt')",
            "Row 4 of preparations stands in the records, but no entry",
        ),
    ],
)
def test_check_finds_tampering(
    tampered: tuple[Database, sqlite3.Connection], statement: str, fault: str
) -> None:
    database, raw = tampered
    # The log begins with what was written before the first specimen; @1 to @6 are the entries of specimens.
    n_before = len(_events(database)) - 6
    for place in range(1, 7):
        statement = statement.replace(f"@{place}", str(n_before + place))
        fault = fault.replace(f"@{place}", str(n_before + place))
    assert raw.execute(statement).rowcount > 0
    assert any(fault in one for one in _faults(database))


def test_log_written_anew_is_found_by_a_hash_kept_outside(
    tampered: tuple[Database, sqlite3.Connection],
) -> None:
    database, raw = tampered
    last = len(_events(database))
    kept = {last: raw.execute("SELECT sha256 FROM events WHERE number = ?", (last,)).fetchone()[0]}
    raw.execute("UPDATE specimens SET species = 'cat' WHERE id = 2")
    previous = event_log.START
    for number, content in raw.execute("SELECT number, content FROM events ORDER BY number").fetchall():
        event = {**json.loads(content), "previous_sha256": previous}
        if event["table"] == "specimens" and event["row"] == 2:
            event["after"]["species"] = "cat"
        content = event_log.canonical(event)
        previous = event_log.hash_text(content)
        raw.execute("UPDATE events SET content = ?, sha256 = ? WHERE number = ?", (content, previous, number))
    raw.execute("UPDATE event_heads SET sha256 = ?", (previous,))
    assert _faults(database) == ()
    assert any(f"Entry {last} has the hash" in one for one in _faults(database, known=kept))


def test_export_can_be_checked_by_itself(database: Database) -> None:
    for number in range(3):
        _file(database, f"Ünal \N{HEAVY BLACK HEART} {number}")
    with database.read() as session:
        lines = list(export_lines(session))
    for line in lines:
        read = json.loads(line)
        text = json.dumps(read["event"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == read["sha256"]
    assert check_lines(lines).faults == () and check_lines(lines).entries == len(lines) >= 6
    assert "Entry 4 follows entry 2" in check_lines([*lines[:2], *lines[3:]]).faults[0]
    changed = [line.replace("dog", "cat") for line in lines]
    assert sum("was changed" in fault for fault in check_lines(changed).faults) == 3
    with pytest.raises(RecordError, match=r"Line 1 is no entry of an exported log: '\{\}'"):
        check_lines(["{}"])


@pytest.mark.on_both
def test_life_of_a_specimen_is_in_its_log(
    reader: httpx.Client, assistant: httpx.Client, image: dict[str, Any]
) -> None:
    first = list_candidates(reader, image)["candidates"][0]
    mark(reader, first)
    events = ok(assistant.get(f"/api/specimens/{image['specimen_id']}/events"), 200)
    tables = [one["table"] for one in events]
    assert {"specimens", "preparations", "images", "jobs", "proposals", "showings", "reads", "marks"} <= {
        *tables
    }
    marked = next(one for one in events if one["table"] == "marks")
    assert marked["who"]["display_name"] == "The reader" and marked["after"]["answer"] == "confirm"
    proposed = next(one for one in events if one["table"] == "proposals")
    assert proposed["after"]["candidates"] == 4 and proposed["who"] is None
    states = [one["after"]["state"] for one in events if one["table"] == "jobs"]
    assert states[0] == "waiting" and states[-1] == "ready"


@pytest.mark.on_both
def test_administrator_checks_and_exports_the_log_of_a_living_service(
    people: dict[str, httpx.Client], seen_image: dict[str, Any]
) -> None:
    for path in ("/api/events/check", "/api/events.jsonl"):
        problem(people["vet"].get(path), 403)
    checks = ok(people["admin"].get("/api/events/check"), 200)
    assert [one["faults"] for one in checks] == [[]] and checks[0]["is_intact"]
    exported = people["admin"].get("/api/events.jsonl")
    checked = check_lines(exported.text.splitlines())
    assert checked.faults == () and checked.entries >= checks[0]["entries"]


@pytest.mark.on_both
def test_log_is_kept_from_a_blind_second_reader(
    reader: httpx.Client, second: httpx.Client, vet: httpx.Client, new_image: Callable[..., Any]
) -> None:
    image = new_image()
    url = f"/api/specimens/{image['specimen_id']}"
    users = {one["display_name"]: one["id"] for one in ok(vet.get("/api/users"), 200)}
    body = {"blind": True, "reader_id": users["The second"]}
    look = ok(vet.post(f"{url}/second-looks", json=body), 201)
    assert "blind second look" in problem(second.get(f"{url}/events"), 409)["detail"]
    ok(second.post(f"/api/second-looks/{look['id']}/close"), 200)
    ok(second.get(f"{url}/events"), 200)
