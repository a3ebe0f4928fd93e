"""What the records refuse, and their form."""

from __future__ import annotations

import ast
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from service_calls import list_candidates, mark
from sqlalchemy import create_engine

import service
from service.settings import Settings
from service.store import images
from service.store.database import Database
from service.store.models import APPEND_ONLY, Base


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    database = Database(f"sqlite:///{tmp_path / 'records.sqlite'}")
    database.migrate()
    yield database
    database.close()


@pytest.fixture
def raw(settings: Settings, server: str) -> Iterator[sqlite3.Connection]:
    """The running service's records, opened behind its back."""
    connection = sqlite3.connect(settings.data_folder / "records.sqlite", timeout=30)
    yield connection
    connection.close()


@pytest.mark.parametrize("statement", ["UPDATE marks SET answer = 'reject'", "DELETE FROM marks"])
def test_mark_cannot_be_changed_behind_the_services_back(
    statement: str, raw: sqlite3.Connection, reader: httpx.Client, image: dict[str, Any]
) -> None:
    mark(reader, list_candidates(reader, image)["candidates"][0])
    with pytest.raises(sqlite3.IntegrityError, match="marks is append-only: add a new row"):
        raw.execute(statement)


@pytest.mark.parametrize("table", APPEND_ONLY)
def test_append_only_tables_have_both_triggers(table: str, raw: sqlite3.Connection) -> None:
    found = raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (table,))
    assert {name for (name,) in found} == {f"{table}_refuse_UPDATE", f"{table}_refuse_DELETE"}


def test_migrations_end_in_the_models(database: Database, tmp_path: Path) -> None:
    engine = create_engine(f"sqlite:///{tmp_path / 'records.sqlite'}")
    with engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), Base.metadata)
    engine.dispose()
    assert differences == []


def test_migrating_again_changes_nothing(database: Database) -> None:
    database.migrate()


def test_records_are_in_wal_mode(raw: sqlite3.Connection) -> None:
    assert raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)


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
