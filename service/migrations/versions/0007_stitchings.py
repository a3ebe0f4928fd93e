"""Stitchings of a preparation's pictures."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Stitchings, with what each found."""
    op.create_table(
        "stitchings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=False),
        sa.Column("image_ids", sa.JSON(), nullable=False),
        sa.Column("field_order", sa.String(length=20), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("report", sa.JSON(), nullable=True),
        sa.Column("image_id", sa.Integer(), nullable=True),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["preparation_id"], ["preparations.id"]),
        sa.ForeignKeyConstraint(["image_id"], ["images.id"]),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_stitchings_preparation_id", "stitchings", ["preparation_id"])
    op.create_index("ix_stitchings_image_id", "stitchings", ["image_id"])
