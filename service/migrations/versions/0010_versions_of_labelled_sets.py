"""What labelled sets were chosen by and what they hold."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Rule, report and hashes of each labelled set; neither changes any more."""
    op.create_table(
        "labelled_set_versions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("set_id", sa.Integer(), nullable=False),
        sa.Column("rule", sa.JSON(), nullable=False),
        sa.Column("report", sa.JSON(), nullable=False),
        sa.Column("manifest_sha256", sa.String(length=64), nullable=False),
        sa.Column("zip_sha256", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["set_id"], ["labelled_sets.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("set_id"),
    )
    for statement in trigger_statements(
        op.get_bind().dialect.name, ("labelled_sets", "labelled_set_versions")
    ):
        op.execute(statement)
