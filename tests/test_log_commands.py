"""`coverslip check-log` and `coverslip export-log`."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from service.admin import create_user
from service.cli import app
from service.settings import Settings
from service.store import specimens
from service.store.database import Database
from service.store.models import Preparation, Specimen


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Runs a command on the records of two specimens."""
    monkeypatch.setenv("COVERSLIP_DATA_FOLDER", str(tmp_path))
    settings = Settings(data_folder=tmp_path)
    user = create_user(settings, "ann", "Ann", "reader", "tall grass 17")
    database = Database(settings.records_url()).within(user.hospital_id)
    for code in ("S-1", "S-2"):
        with database.write() as session:
            specimen = Specimen(code=code, species="cat", animal_label="", remarks="", created_by=user.id)
            specimens.add_specimen(session, specimen, Preparation(method="passive", solution="salt"))
    database.close()
    return lambda *words: CliRunner().invoke(app, list(words))


def _raw(tmp_path: Path) -> sqlite3.Connection:
    (path,) = [one for one in tmp_path.glob("*.sqlite*") if _has_events(one)]
    return sqlite3.connect(path, isolation_level=None)


def _has_events(path: Path) -> bool:
    if path.name.endswith(("-wal", "-shm")):
        return False
    with sqlite3.connect(path) as raw:
        return bool(raw.execute("SELECT 1 FROM sqlite_master WHERE name = 'events'").fetchone())


def _count(said: str) -> int:
    """How many entries a command names."""
    found = re.search(r"(\d+) entries", said)
    assert found is not None, said
    return int(found[1])


def test_check_log_prints_the_last_hash_and_ends_well(run: Callable[..., Any]) -> None:
    result = run("check-log")
    assert result.exit_code == 0, result.output
    assert f"Hospital 1: {_count(result.output)} entries, the last has the hash " in result.output
    last = _count(result.output)
    sha256 = result.output.rstrip(".\n").rpartition(" ")[2]
    assert run("check-log", "--known", f"{last}:{sha256}").exit_code == 0
    wrong = run("check-log", "--known", f"{last}:{'0' * 64}", "--known", f"99:{sha256}")
    assert wrong.exit_code == 1
    assert f"Entry {last} has the hash" in wrong.output and "There is no entry 99" in wrong.output


def test_check_log_names_what_was_changed(run: Callable[..., Any], tmp_path: Path) -> None:
    raw = _raw(tmp_path)
    raw.execute("DROP TRIGGER specimens_refuse_update")
    raw.execute("UPDATE specimens SET species = 'dog' WHERE id = 1")
    raw.close()
    result = run("check-log")
    assert result.exit_code == 1 and "Row 1 of specimens was changed past the log: species" in result.output


def test_exported_log_is_checked_by_itself(run: Callable[..., Any], tmp_path: Path) -> None:
    out = tmp_path / "log.jsonl"
    assert _count(run("export-log", "--out", str(out)).output) >= 4
    assert run("check-log", "--file", str(out)).exit_code == 0
    lines = out.read_text().splitlines(keepends=True)
    out.write_text("".join([lines[0], *lines[2:]]))
    result = run("check-log", "--file", str(out))
    assert result.exit_code == 1 and "Entry 3 follows entry 1" in result.output


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--known", "4-abc"), "A known entry is '4-abc'; it must be its number, a colon"),
        (("--file", "no-such-file.jsonl"), "no-such-file.jsonl"),
    ],
)
def test_check_log_refuses_with_one_sentence(
    run: Callable[..., Any], words: tuple[str, str], sentence: str
) -> None:
    result = run("check-log", *words)
    assert result.exit_code == 1 and sentence in result.output and len(result.output.splitlines()) == 1
