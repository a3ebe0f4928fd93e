"""What the records refuse, and their form."""

from __future__ import annotations

import ast
import sqlite3
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from backends import Backend
from service_calls import list_candidates, mark
from sqlalchemy import Connection, create_engine, inspect, select, text
from sqlalchemy.exc import DBAPIError

import service
from service.errors import UnreachableError
from service.settings import Settings
from service.store import images, people
from service.store.database import Database, check_reachable
from service.store.models import APPEND_ONLY, Account, Base

pytestmark = pytest.mark.on_both
TRIGGERS = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = :table",
    "postgresql": "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgrelid = to_regclass(:table)",
}


@contextmanager
def _open(url: str) -> Iterator[Connection]:
    """A connection past the service."""
    engine = create_engine(url)
    with engine.connect() as connection:
        yield connection
    engine.dispose()


@pytest.fixture
def url(backend: Backend, tmp_path: Path) -> str:
    """URL of records that nothing is in yet."""
    return Settings(data_folder=tmp_path, **backend.new_place()).records_url()


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    database = Database(url)
    database.migrate()
    yield database
    database.close()


@pytest.fixture
def raw(settings: Settings, server: str) -> Iterator[Connection]:
    """The running service's records, opened behind its back."""
    with _open(settings.records_url()) as connection:
        yield connection


@pytest.mark.parametrize("statement", ["UPDATE marks SET answer = 'reject'", "DELETE FROM marks"])
def test_mark_cannot_be_changed_behind_the_services_back(
    statement: str, raw: Connection, reader: httpx.Client, image: dict[str, Any]
) -> None:
    mark(reader, list_candidates(reader, image)["candidates"][0])
    with pytest.raises(DBAPIError, match="marks is append-only: add a new row"):
        raw.execute(text(statement))


@pytest.mark.parametrize("table", APPEND_ONLY)
def test_append_only_tables_have_both_triggers(table: str, raw: Connection) -> None:
    found = {name.lower() for (name,) in raw.execute(text(TRIGGERS[raw.dialect.name]), {"table": table})}
    assert found == {f"{table}_refuse_update", f"{table}_refuse_delete"}


def test_migrations_end_in_the_models(database: Database, url: str) -> None:
    with _open(url) as connection:
        differences = compare_metadata(MigrationContext.configure(connection), Base.metadata)
    assert differences == []


def test_migrating_again_changes_nothing(database: Database) -> None:
    database.migrate()


def test_machines_that_start_together_make_the_tables_once(url: str) -> None:
    databases = [Database(url) for _ in range(4)]
    with ThreadPoolExecutor(4) as together:
        for done in [together.submit(database.migrate) for database in databases]:
            done.result()
    for database in databases:
        database.close()
    with _open(url) as connection:
        assert set(Base.metadata.tables) <= set(inspect(connection).get_table_names())


def test_records_of_a_newer_version_are_left_alone(database: Database, url: str) -> None:
    with _open(url) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
        connection.commit()
    with pytest.raises(
        UnreachableError, match=r"in form '9999'; the newest that this version knows is '\d{4}'"
    ):
        database.migrate()


def test_reading_stores_nothing_and_sees_one_moment(database: Database) -> None:
    with database.read() as session:
        assert list(session.scalars(select(Account.user_name))) == []
        _add_person(database, "late")
        assert list(session.scalars(select(Account.user_name))) == []
    with database.read() as session:
        assert list(session.scalars(select(Account.user_name))) == ["late"]


def test_writing_that_fails_stores_nothing(database: Database) -> None:
    with pytest.raises(ZeroDivisionError), database.write() as session:
        people.add_user(session, user_name="half", display_name="Half", role="reader", password_hash="x")
        raise ZeroDivisionError
    with database.read() as session:
        assert list(session.scalars(select(Account.user_name))) == []


def test_many_writers_at_once_lose_nothing(database: Database) -> None:
    names = [f"reader-{number:03d}" for number in range(100)]
    with ThreadPoolExecutor(8) as together:
        for done in [together.submit(_add_person, database, name) for name in names]:
            done.result()
    with database.read() as session:
        assert list(session.scalars(select(Account.user_name).order_by(Account.user_name))) == names


def _add_person(database: Database, name: str) -> None:
    with database.write() as session:
        people.add_user(session, user_name=name, display_name=name, role="reader", password_hash="x")


def test_records_in_a_file_are_in_wal_mode(tmp_path: Path, backend: Backend) -> None:
    if backend.name != "folder":
        pytest.skip("only SQLite has this mode")
    path = tmp_path / "records.sqlite"
    database = Database(f"sqlite:///{path}")
    database.migrate()
    database.close()
    with _open(f"sqlite:///{path}") as connection:
        assert connection.execute(text("PRAGMA journal_mode")).scalar() == "wal"


def test_candidates_of_one_job_are_stored_once(
    settings: Settings, reader: httpx.Client, image: dict[str, Any]
) -> None:
    before = list_candidates(reader, image)
    database = Database(settings.records_url())
    with database.write() as session:
        job = images.read_image_state(session, image["id"]).job
        said = [{"rank": 1, "above_cut": True, "group": "oocyst"}]
        images.add_proposal(session, job, head={"detector": before["detector"]}, candidates=said)
    database.close()
    assert list_candidates(reader, image) == before


def _imports(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    return names | {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}


def test_only_the_store_speaks_sql() -> None:
    root = Path(service.__file__).parent
    speakers = {
        path.relative_to(root).parts[0]
        for path in root.rglob("*.py")
        if any(name.split(".")[0] in ("sqlalchemy", "sqlite3", "alembic") for name in _imports(path))
    }
    assert speakers == {"store", "migrations"}


def test_sqlite_that_cannot_tell_milliseconds_is_refused_where_they_are_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = f"sqlite:///{tmp_path / 'work.sqlite'}"
    monkeypatch.setattr("service.store.database._asks_for_milliseconds", lambda: True)
    # SQLite's changes of release 3.42.0 (2023): the modifier `subsec`.
    if sqlite3.sqlite_version_info >= (3, 42):
        check_reachable(url, "COVERSLIP_WORK_DATABASE_URL")
    else:
        with pytest.raises(UnreachableError, match="too old for this Python"):
            check_reachable(url, "COVERSLIP_WORK_DATABASE_URL")
    monkeypatch.setattr("service.store.database._asks_for_milliseconds", lambda: False)
    check_reachable(url, "COVERSLIP_WORK_DATABASE_URL")
