"""Progress of a job in smaller steps, the best of what it found so far, and which machines are alive."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Columns that are empty for older jobs."""
    op.add_column("jobs", sa.Column("tiles_total", sa.Integer(), nullable=True))
    op.add_column("jobs", sa.Column("so_far", sa.JSON(), nullable=True))
    op.add_column("jobs", sa.Column("parts_done", sa.Integer(), nullable=True))
    op.add_column("jobs", sa.Column("parts_total", sa.Integer(), nullable=True))
    op.add_column("jobs", sa.Column("part_seconds", sa.Double(), nullable=True))
    op.create_table(
        "machines",
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("alive_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
