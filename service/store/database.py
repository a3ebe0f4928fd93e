"""Opens the records, brings them to the newest form, and hands out sessions."""

from __future__ import annotations

import copy
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import ArgumentError, OperationalError
from sqlalchemy.orm import ORMExecuteState, Session, with_loader_criteria

from service.errors import UnreachableError
from service.store.event_log import LoggedSession
from service.store.models import HospitalOwned

__all__ = ["Database", "Session"]

MIGRATIONS = Path(__file__).resolve().parent.parent / "migrations"
BUSY_TIMEOUT_MS = 30_000
CONNECT_TIMEOUT_S = 10
# Any number that nobody else takes in the same database.
MIGRATION_LOCK = 5_206_006


class Database:
    """The engine with its two kinds of session.

    Parameters
    ----------
    url : str
        SQLAlchemy URL; SQLite is opened in WAL mode, so that readers never wait for a writer.

    Raises
    ------
    UnreachableError
        If it is no such URL.

    Notes
    -----
    SQLite lets one writer in at a time. On PostgreSQL writers work side by side and see what others have
    committed, so that whoever reads a row in order to change it takes its lock.
    """

    def __init__(self, url: str) -> None:
        self._engine = _make_engine(url)
        if self._engine.dialect.name == "sqlite":
            _prepare_sqlite(self._engine)
            self._reader = self._engine
        else:
            self._reader = self._engine.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
        self._writer = self._engine.execution_options(is_writer=True)
        self._hospital_id: int | None = None

    def within(self, hospital_id: int) -> Database:
        """The same database, kept to one hospital.

        Its sessions find no record that another hospital owns, and what they add belongs to this one.
        """
        kept = copy.copy(self)
        kept._hospital_id = hospital_id
        return kept

    def migrate(self) -> None:
        """Bring the tables to the newest form; of several machines that start together, one does it.

        Raises
        ------
        UnreachableError
            If the database doesn't answer, or has a form that this version doesn't know.
        """
        with self._reachable(), self._writer.connect() as connection, _rewriting(connection):
            if connection.dialect.name == "postgresql":
                connection.execute(text(f"SELECT pg_advisory_xact_lock({MIGRATION_LOCK})"))
            if not _is_in_newest_form(connection):
                config = _migrations()
                config.attributes["connection"] = connection
                command.upgrade(config, "head")

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A session that sees one moment and stores nothing."""
        with self._reachable(), self._session(_KeptSession, self._reader) as session:
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """A session that is stored whole with its entries in the log at the end, or not at all."""
        with (
            self._reachable(),
            self._session(_KeptLoggedSession, self._writer) as session,
            session.begin(),
        ):
            yield session

    def close(self) -> None:
        """Give back all connections."""
        self._engine.dispose()

    def _session(self, kind: type[Session], engine: Engine) -> Session:
        return kind(engine, expire_on_commit=False, info={"hospital_id": self._hospital_id})

    @contextmanager
    def _reachable(self) -> Iterator[None]:
        with _say_unreachable(self._engine, "COVERSLIP_DATABASE_URL"):
            yield


def _migrations() -> Config:
    config = Config()
    # Alembic reads a percent sign as the beginning of a name.
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    return config


@cache
def _known_forms() -> tuple[str, ...]:
    """From the newest to the first."""
    return tuple(one.revision for one in ScriptDirectory.from_config(_migrations()).walk_revisions())


def _is_in_newest_form(connection: Connection) -> bool:
    known = _known_forms()
    forms = MigrationContext.configure(connection).get_current_heads()
    for form in forms:
        if form not in known:
            raise UnreachableError(
                f"The records are in form {form!r}; the newest that this version knows is "
                f"{known[0]!r}. Run the version that wrote them, or a newer one."
            )
    return forms == (known[0],)


class _KeptSession(Session):
    """A session that is kept to the hospital in its `info`, or to none."""


class _KeptLoggedSession(LoggedSession):
    """The same, and what it stores stands in the log."""


@event.listens_for(_KeptSession, "do_orm_execute")
@event.listens_for(_KeptLoggedSession, "do_orm_execute")
def _find_own_only(state: ORMExecuteState) -> None:
    hospital_id = state.session.info["hospital_id"]
    if hospital_id is not None:
        state.statement = state.statement.options(
            with_loader_criteria(
                HospitalOwned, lambda owned: owned.hospital_id == hospital_id, include_aliases=True
            )
        )


@event.listens_for(_KeptLoggedSession, "before_flush")
def _own_what_is_new(session: Session, *_: Any) -> None:
    for row in session.new:
        if isinstance(row, HospitalOwned) and row.hospital_id is None:
            row.hospital_id = session.info["hospital_id"]


@contextmanager
def _rewriting(connection: Connection) -> Iterator[None]:
    """A transaction in which SQLite lets a table that others point at be written anew."""
    is_sqlite = connection.dialect.name == "sqlite"
    # The switch does nothing once a transaction is open.
    driver: Any = connection.connection.driver_connection
    if is_sqlite:
        driver.execute("PRAGMA foreign_keys = OFF").close()
    try:
        with connection.begin():
            yield
            if is_sqlite and connection.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
                raise UnreachableError(
                    "The records could not be brought to the newest form: a row would point at nothing. They "
                    "were left as they were. Restore them from a copy, or ask who keeps them."
                )
    finally:
        if is_sqlite:
            driver.execute("PRAGMA foreign_keys = ON").close()


def check_reachable(url: str, variable: str) -> None:
    """Make sure that a database answers, as background work asks it; `variable` is the setting that names it.

    Raises
    ------
    UnreachableError
        If it doesn't.
    """
    engine = _make_engine(url)
    try:
        with _say_unreachable(engine, variable), engine.connect() as connection:
            if engine.dialect.name == "sqlite" and _asks_for_milliseconds():
                _check_milliseconds(connection, variable)
    finally:
        engine.dispose()


def _asks_for_milliseconds() -> bool:
    """Whether the engine of background work takes the time from SQLite in milliseconds."""
    return sys.version_info >= (3, 12)


def _check_milliseconds(connection: Connection, variable: str) -> None:
    if connection.execute(text("SELECT unixepoch('subsec')")).scalar() is None:
        raise UnreachableError(
            f"SQLite {sqlite3.sqlite_version} is too old for this Python: background work needs 3.42. "
            f"Use Python 3.11, or another SQLite, or PostgreSQL by {variable}."
        )


@contextmanager
def _say_unreachable(engine: Engine, variable: str) -> Iterator[None]:
    try:
        yield
    except OperationalError as err:
        if engine.dialect.name == "sqlite":
            raise
        where = engine.url.render_as_string(hide_password=True)
        reason = str(err.orig).strip().splitlines()[0].rstrip(".")
        raise UnreachableError(
            f"The database at {where} can't be used now: {reason}. Check {variable}, and that the server "
            "runs and lets this user in."
        ) from err


def _make_engine(url: str) -> Engine:
    if url.startswith("sqlite"):
        return create_engine(url)
    try:
        # A connection that a restart of the server cut is replaced before it is used.
        return create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": CONNECT_TIMEOUT_S})
    except ArgumentError as err:
        raise UnreachableError(
            "What was set for the database is no address of a database. Give postgresql://USER@HOST/NAME."
        ) from err


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _: Any) -> None:
        # Transactions are begun below; the driver's own rules would begin them too late.
        connection.isolation_level = None
        # The time to wait comes first: the change to WAL needs a lock that another process may hold.
        for pragma in (f"busy_timeout = {BUSY_TIMEOUT_MS}", "journal_mode = WAL", "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}").close()

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        # A writer takes its lock at once: upgrading a read later fails at once when another wrote.
        is_writer = connection.get_execution_options().get("is_writer", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writer else "BEGIN")
