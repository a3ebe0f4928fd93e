"""The log of all changes, and amendments of signed specimens."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

APPEND_ONLY = ("events", "amendments", "record_versions")


def upgrade() -> None:
    """Entries of the log with their heads; amendments and signed versions."""
    op.create_table(
        "events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=True),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("hospital_id", "number"),
    )
    op.create_index("ix_events_specimen_id", "events", ["specimen_id"])
    op.create_table(
        "event_heads",
        sa.Column("hospital_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("hospital_id"),
    )
    op.create_table(
        "amendments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(length=1000), nullable=False),
        sa.Column("opened_by", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimens.id"]),
        sa.ForeignKeyConstraint(["opened_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("specimen_id", "number"),
    )
    op.create_table(
        "record_versions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("signed_by", sa.Integer(), nullable=False),
        sa.Column("signed_at", sa.DateTime(), nullable=False),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimens.id"]),
        sa.ForeignKeyConstraint(["signed_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("specimen_id", "number"),
    )
    for statement in trigger_statements(op.get_bind().dialect.name, APPEND_ONLY):
        op.execute(statement)
