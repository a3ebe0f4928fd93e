"""Consistency, vial and objectives of a preparation."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Facts that older preparations don't have; adding columns leaves the triggers in place."""
    op.add_column("preparations", sa.Column("consistency", sa.String(length=20), nullable=True))
    op.add_column("preparations", sa.Column("vial_ml", sa.Double(), nullable=True))
    op.add_column("preparations", sa.Column("vial_mouth_mm", sa.Double(), nullable=True))
    op.add_column("preparations", sa.Column("objectives", sa.JSON(), nullable=True))
