"""Places in a picture, changes after a lock, marks taken back, calls for the doctor, sheets of a tail."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

APPEND_ONLY = (
    "mark_withdrawals",
    "changes_after_lock",
    "reading_rules",
    "doctor_calls",
    "doctor_call_answers",
    "settling_offers",
    "settling_agreements",
    "contact_sheets",
    "contact_sheet_views",
    "contact_sheet_rejections",
)


def upgrade() -> None:
    """The rows that turns between reader and tool, and between readers, leave behind."""
    _create("mark_withdrawals", _link("mark_id", "marks"), _created_at(), unique=("mark_id",))
    _create(
        "changes_after_lock",
        _link("mark_id", "marks"),
        _link("read_id", "reads"),
        sa.Column("before_answer", sa.String(length=10), nullable=True),
        sa.Column("before_group", sa.String(length=80), nullable=True),
        sa.Column("direction", sa.String(length=20), nullable=False),
        unique=("mark_id",),
        index="read_id",
    )
    _create(
        "reading_rules",
        _link("specimen_id", "specimens"),
        sa.Column("rule", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        _created_at(),
        _link("created_by", "users"),
        index="specimen_id",
    )
    _create(
        "reading_places",
        _link("image_id", "images"),
        _link("reader_id", "users"),
        sa.Column("finest", sa.Text(), nullable=False),
        sa.Column("place", sa.JSON(), nullable=True),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        unique=("image_id", "reader_id"),
    )
    _create_calls()
    _create_settling()
    _create_sheets()
    for statement in trigger_statements(op.get_bind().dialect.name, APPEND_ONLY):
        op.execute(statement)


def _create_calls() -> None:
    words = (sa.Column("words", sa.Text(), nullable=False), _created_at(), _link("created_by", "users"))
    _create("doctor_calls", _link("candidate_id", "candidates"), *words, index="candidate_id")
    words = (sa.Column("words", sa.Text(), nullable=False), _created_at(), _link("created_by", "users"))
    _create("doctor_call_answers", _link("call_id", "doctor_calls"), *words, unique=("call_id",))


def _create_settling() -> None:
    _create(
        "settling_offers",
        _link("candidate_id", "candidates"),
        sa.Column("answer", sa.String(length=10), nullable=False),
        sa.Column("group", sa.String(length=80), nullable=True),
        sa.Column("reason", sa.String(length=80), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        _link("reader_id", "users"),
        _created_at(),
        index="candidate_id",
    )
    _create(
        "settling_agreements",
        _link("offer_id", "settling_offers"),
        _link("reader_id", "users"),
        _link("adjudication_id", "adjudications", nullable=True),
        _created_at(),
        unique=("offer_id", "reader_id"),
    )


def _create_sheets() -> None:
    _create(
        "contact_sheets",
        _link("image_id", "images"),
        _link("reader_id", "users"),
        sa.Column("candidate_ids", sa.JSON(), nullable=False),
        _created_at(),
        index="image_id",
    )
    _create(
        "contact_sheet_views",
        _link("sheet_id", "contact_sheets"),
        sa.Column("candidate_ids", sa.JSON(), nullable=False),
        _created_at(),
        index="sheet_id",
    )
    _create(
        "contact_sheet_rejections",
        _link("sheet_id", "contact_sheets"),
        sa.Column("reason", sa.String(length=80), nullable=False),
        sa.Column("mark_ids", sa.JSON(), nullable=False),
        _created_at(),
        unique=("sheet_id",),
    )


def _create(
    name: str, *columns: sa.Column[Any], unique: tuple[str, ...] = (), index: str | None = None
) -> None:
    rules = [sa.UniqueConstraint(*unique)] if unique else []
    op.create_table(
        name,
        sa.Column("id", sa.Integer(), nullable=False),
        *columns,
        sa.PrimaryKeyConstraint("id"),
        *rules,
    )
    if index is not None:
        op.create_index(f"ix_{name}_{index}", name, [index])


def _link(column: str, table: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(column, sa.Integer(), sa.ForeignKey(f"{table}.id"), nullable=nullable)


def _created_at() -> sa.Column[Any]:
    return sa.Column("created_at", sa.DateTime(), nullable=False)
