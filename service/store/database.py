"""Opens the records, brings them to the newest form, and hands out sessions."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.orm import Session

__all__ = ["Database", "Session"]

MIGRATIONS = Path(__file__).resolve().parent.parent / "migrations"
BUSY_TIMEOUT_MS = 30_000


class Database:
    """The engine with its two kinds of session.

    Parameters
    ----------
    url : str
        SQLAlchemy URL; SQLite is opened in WAL mode, so that readers never wait for a writer.
    """

    def __init__(self, url: str) -> None:
        self._engine = create_engine(url)
        if self._engine.dialect.name == "sqlite":
            _prepare_sqlite(self._engine)
        self._writer = self._engine.execution_options(is_writer=True)

    def migrate(self) -> None:
        """Bring the tables to the newest form."""
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        with self._writer.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A session that sees one moment and stores nothing."""
        with Session(self._engine, expire_on_commit=False) as session:
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """A session that is stored whole at the end of the block, or not at all."""
        with Session(self._writer, expire_on_commit=False) as session, session.begin():
            yield session

    def close(self) -> None:
        """Give back all connections."""
        self._engine.dispose()


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _: Any) -> None:
        # Transactions are begun below; the driver's own rules would begin them too late.
        connection.isolation_level = None
        for pragma in ("journal_mode = WAL", "foreign_keys = ON", f"busy_timeout = {BUSY_TIMEOUT_MS}"):
            connection.execute(f"PRAGMA {pragma}").close()

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        # A writer takes its lock at once: upgrading a read later fails at once when another wrote.
        is_writer = connection.get_execution_options().get("is_writer", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writer else "BEGIN")
