"""Triggers that let a table take new rows and nothing else."""

from __future__ import annotations

from collections.abc import Iterator

SQLITE = """
CREATE TRIGGER {table}_refuse_{verb} BEFORE {verb} ON {table}
BEGIN SELECT RAISE(ABORT, '{table} is append-only: add a new row that replaces the old one'); END
"""
POSTGRESQL_FUNCTION = """
CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger AS $$
BEGIN RAISE EXCEPTION '% is append-only: add a new row that replaces the old one', TG_TABLE_NAME; END
$$ LANGUAGE plpgsql
"""
POSTGRESQL = """
CREATE TRIGGER {table}_refuse_{verb} BEFORE {verb} ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()
"""


def trigger_statements(dialect: str, tables: tuple[str, ...]) -> Iterator[str]:
    """SQL statements that refuse UPDATE and DELETE on each table."""
    if dialect == "postgresql":
        yield POSTGRESQL_FUNCTION
    template = POSTGRESQL if dialect == "postgresql" else SQLITE
    for table in tables:
        for verb in ("UPDATE", "DELETE"):
            yield template.format(table=table, verb=verb)
