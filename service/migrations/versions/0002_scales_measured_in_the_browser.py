"""Scales measured in the browser, and what files say of their own."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

APPEND_ONLY = (
    "calibration_pictures",
    "scale_measurements",
    "calibration_measurements",
    "scale_refusals",
    "ocular_scales",
    "image_file_scales",
    "job_measurements",
)


def upgrade() -> None:
    """Scales measured in the browser, and what files say of their own."""
    op.add_column(
        "calibrations",
        sa.Column("camera_setting", sa.String(length=200), nullable=False, server_default=""),
    )
    for name in ("um_per_px_x", "um_per_px_x_sd", "um_per_px_y", "um_per_px_y_sd"):
        op.add_column("calibrations", sa.Column(name, sa.Double(), nullable=True))
    op.create_table(
        "calibration_pictures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("n_bytes", sa.BigInteger(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("zoom_levels", sa.Integer(), nullable=False),
        sa.Column("file_um_per_px", sa.Double(), nullable=True),
        sa.Column("file_scale_source", sa.String(length=80), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_calibration_pictures_sha256", "calibration_pictures", ["sha256"])
    op.create_table(
        "scale_measurements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("picture_id", sa.Integer(), nullable=True),
        sa.Column("image_id", sa.Integer(), nullable=True),
        sa.Column("method", sa.String(length=20), nullable=False),
        sa.Column("um_per_px", sa.Double(), nullable=False),
        sa.Column("um_per_px_sd", sa.Double(), nullable=False),
        sa.Column("source", sa.String(length=200), nullable=False),
        sa.Column("measured_axis", sa.String(length=10), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.Column("shown", sa.String(length=64), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["picture_id"], ["calibration_pictures.id"]),
        sa.ForeignKeyConstraint(["image_id"], ["images.id"]),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_scale_measurements_picture_id", "scale_measurements", ["picture_id"])
    op.create_index("ix_scale_measurements_image_id", "scale_measurements", ["image_id"])
    op.create_table(
        "calibration_measurements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("measurement_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["calibration_id"], ["calibrations.id"]),
        sa.ForeignKeyConstraint(["measurement_id"], ["scale_measurements.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("measurement_id"),
    )
    op.create_index(
        "ix_calibration_measurements_calibration_id", "calibration_measurements", ["calibration_id"]
    )
    op.create_table(
        "scale_refusals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("measurement_id", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["measurement_id"], ["scale_measurements.id"]),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("measurement_id"),
    )
    op.create_table(
        "ocular_scales",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("microscope", sa.String(length=200), nullable=False),
        sa.Column("objective", sa.String(length=200), nullable=False),
        sa.Column("stage_divisions", sa.Double(), nullable=False),
        sa.Column("stage_division_um", sa.Double(), nullable=False),
        sa.Column("ocular_divisions", sa.Double(), nullable=False),
        sa.Column("um_per_division", sa.Double(), nullable=False),
        sa.Column("um_per_division_sd", sa.Double(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "image_file_scales",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("image_id", sa.Integer(), nullable=False),
        sa.Column("um_per_px", sa.Double(), nullable=False),
        sa.Column("source", sa.String(length=80), nullable=False),
        sa.ForeignKeyConstraint(["image_id"], ["images.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("image_id"),
    )
    op.create_table(
        "job_measurements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("measurement_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"]),
        sa.ForeignKeyConstraint(["measurement_id"], ["scale_measurements.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("job_id"),
    )
    op.create_index("ix_job_measurements_measurement_id", "job_measurements", ["measurement_id"])
    for statement in trigger_statements(op.get_bind().dialect.name, APPEND_ONLY):
        op.execute(statement)
