"""Stitchings without a mosaic, and objects that a person parted."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

APPEND_ONLY = ("object_partings",)


def upgrade() -> None:
    """Whether a stitching writes a mosaic; pairs of candidates that are two objects."""
    op.add_column(
        "stitchings", sa.Column("writes_mosaic", sa.Boolean(), nullable=False, server_default=sa.true())
    )
    op.create_table(
        "object_partings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("candidate_id", sa.Integer(), nullable=False),
        sa.Column("other_id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["candidate_id"], ["candidates.id"]),
        sa.ForeignKeyConstraint(["other_id"], ["candidates.id"]),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_object_partings_candidate_id", "object_partings", ["candidate_id"])
    for statement in trigger_statements(op.get_bind().dialect.name, APPEND_ONLY):
        op.execute(statement)
