"""Practice: slides whose objects are known, reads of them, the rule, and who read while still learning."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

APPEND_ONLY = (
    "practice_collections",
    "practice_slides",
    "practice_reads",
    "practice_ends",
    "practice_rules",
    "learner_reads",
)


def upgrade() -> None:
    """Tables that are empty at first: without a rule no practice is asked for."""
    _make(
        "practice_collections",
        sa.Column("name", sa.String(length=200), nullable=False),
        _link("set_id", "labelled_sets", nullable=True),
        sa.Column("manifest_sha256", sa.String(length=64), nullable=False),
        _time("created_at"),
        _link("created_by", "users"),
        sa.UniqueConstraint("hospital_id", "manifest_sha256"),
    )
    _make(
        "practice_slides",
        _link("collection_id", "practice_collections"),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("n_bytes", sa.BigInteger(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("width", "height", "zoom_levels")),
        sa.Column("um_per_px", sa.Double(), nullable=True),
        sa.Column("known", sa.JSON(), nullable=False),
        sa.Column("ignored", sa.JSON(), nullable=False),
    )
    op.create_index("ix_practice_slides_collection_id", "practice_slides", ["collection_id"])
    _make(
        "practice_reads",
        _link("slide_id", "practice_slides"),
        _link("reader_id", "users"),
        sa.Column("is_again", sa.Boolean(), nullable=False),
        _time("started_at"),
    )
    for column in ("slide_id", "reader_id"):
        op.create_index(f"ix_practice_reads_{column}", "practice_reads", [column])
    _make(
        "practice_finds",
        _link("read_id", "practice_reads"),
        sa.Column("bbox", sa.JSON(), nullable=False),
        sa.Column("group", sa.String(length=80), nullable=False),
        _time("created_at"),
        sa.Column("taken_back_at", sa.DateTime(), nullable=True),
    )
    op.create_index("ix_practice_finds_read_id", "practice_finds", ["read_id"])
    _make(
        "practice_ends",
        _link("read_id", "practice_reads"),
        sa.Column("outcomes", sa.JSON(), nullable=False),
        _time("ended_at"),
        sa.UniqueConstraint("read_id"),
    )
    _make(
        "practice_rules",
        sa.Column("objects_per_group", sa.Integer(), nullable=False),
        sa.Column("share_right", sa.Double(), nullable=False),
        _time("created_at"),
        _link("created_by", "users"),
    )
    op.create_table(
        "learner_reads",
        sa.Column("id", sa.Integer(), nullable=False),
        _link("specimen_id", "specimens"),
        _link("reader_id", "users"),
        _link("second_look_id", "second_looks"),
        _time("created_at"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("specimen_id", "reader_id"),
    )
    for statement in trigger_statements(op.get_bind().dialect.name, APPEND_ONLY):
        op.execute(statement)


def _make(name: str, *columns: Any) -> None:
    """A table of what one hospital owns."""
    op.create_table(
        name,
        sa.Column("id", sa.Integer(), nullable=False),
        _link("hospital_id", "hospitals"),
        *columns,
        sa.PrimaryKeyConstraint("id"),
    )


def _link(column: str, table: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(column, sa.Integer(), sa.ForeignKey(f"{table}.id"), nullable=nullable)


def _time(column: str) -> sa.Column[Any]:
    return sa.Column(column, sa.DateTime(), nullable=False)
