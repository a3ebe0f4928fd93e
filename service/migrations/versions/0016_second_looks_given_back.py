"""Second looks that whoever took them gives back, so that another reader takes them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

NAMING = {"uq": "uq_%(table_name)s_%(column_0_name)s"}
CLAIMS, RETURNS = "second_look_claims", "second_look_returns"


def upgrade() -> None:
    """A table that is empty at first, and second looks that may be taken more than once."""
    dialect = op.get_bind().dialect.name
    unique = f"{CLAIMS}_second_look_id_key" if dialect == "postgresql" else f"uq_{CLAIMS}_second_look_id"
    with op.batch_alter_table(CLAIMS, naming_convention=NAMING) as batch:
        batch.drop_constraint(unique, type_="unique")
    op.create_index(f"ix_{CLAIMS}_second_look_id", CLAIMS, ["second_look_id"])
    op.create_table(
        RETURNS,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("claim_id", sa.Integer(), nullable=False),
        sa.Column("returned_by", sa.Integer(), nullable=False),
        sa.Column("returned_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["claim_id"], [f"{CLAIMS}.id"]),
        sa.ForeignKeyConstraint(["returned_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("claim_id"),
    )
    # SQLite wrote the table of those taken anew, without its triggers.
    for statement in trigger_statements(dialect, (RETURNS, CLAIMS) if dialect == "sqlite" else (RETURNS,)):
        op.execute(statement)
