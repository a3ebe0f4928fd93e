"""Second looks that a reader took, and the reading rule that new specimens of a hospital begin with."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

NEW = ("second_look_claims", "hospital_reading_rules")


def upgrade() -> None:
    """Tables that are empty at first: nobody took a second look, and each reader chooses."""
    op.create_table(
        "second_look_claims",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("second_look_id", sa.Integer(), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("claimed_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["second_look_id"], ["second_looks.id"]),
        sa.ForeignKeyConstraint(["reader_id"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("second_look_id"),
    )
    op.create_table(
        "hospital_reading_rules",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("rule", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["hospital_id"], ["hospitals.id"]),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("reading_rules") as batch:
        batch.add_column(sa.Column("hospital_rule_id", sa.Integer(), nullable=True))
        batch.create_foreign_key(
            "fk_reading_rules_hospital_rule_id", "hospital_reading_rules", ["hospital_rule_id"], ["id"]
        )
    dialect = op.get_bind().dialect.name
    # SQLite wrote that table anew, without its triggers.
    for statement in trigger_statements(dialect, (*NEW, "reading_rules") if dialect == "sqlite" else NEW):
        op.execute(statement)
