"""A hospital's own detectors: trainings, comparisons, signatures, and which one a job uses."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

APPEND_ONLY = ("detectors", "detector_comparisons", "detector_uses")


def upgrade() -> None:
    """Tables that are empty at first; older jobs used the detector that the service was started with."""
    _make_runs()
    _make_detectors()
    _make_comparisons()
    _make_uses()
    with op.batch_alter_table("jobs") as batch:
        batch.add_column(sa.Column("detector_id", sa.Integer(), nullable=True))
        batch.create_foreign_key("fk_jobs_detector_id", "detectors", ["detector_id"], ["id"])
    for statement in trigger_statements(op.get_bind().dialect.name, APPEND_ONLY):
        op.execute(statement)


def _make_runs() -> None:
    op.create_table(
        "detector_runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("set_id", sa.Integer(), nullable=False),
        sa.Column("detector_id", sa.Integer(), nullable=True),
        sa.Column("started_from", sa.String(length=64), nullable=False),
        sa.Column("options", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=True),
        sa.Column("seconds_left", sa.Double(), nullable=True),
        sa.Column("curve", sa.JSON(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["hospital_id"], ["hospitals.id"]),
        sa.ForeignKeyConstraint(["set_id"], ["labelled_sets.id"]),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_detector_runs_set_id", "detector_runs", ["set_id"])


def _make_detectors() -> None:
    op.create_table(
        "detectors",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("set_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("weights_sha256", sa.String(length=64), nullable=False),
        sa.Column("started_from", sa.String(length=64), nullable=False),
        sa.Column("manifest_sha256", sa.String(length=64), nullable=True),
        sa.Column("record", sa.JSON(), nullable=False),
        sa.Column("curve", sa.JSON(), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=True),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["hospital_id"], ["hospitals.id"]),
        sa.ForeignKeyConstraint(["run_id"], ["detector_runs.id"]),
        sa.ForeignKeyConstraint(["set_id"], ["labelled_sets.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("run_id"),
    )
    op.create_index("ix_detectors_weights_sha256", "detectors", ["weights_sha256"])


def _make_comparisons() -> None:
    op.create_table(
        "detector_comparisons",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("detector_id", sa.Integer(), nullable=False),
        sa.Column("set_id", sa.Integer(), nullable=False),
        sa.Column("old_sha256", sa.String(length=64), nullable=False),
        sa.Column("may_take_over", sa.Boolean(), nullable=False),
        sa.Column("result", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["hospital_id"], ["hospitals.id"]),
        sa.ForeignKeyConstraint(["run_id"], ["detector_runs.id"]),
        sa.ForeignKeyConstraint(["detector_id"], ["detectors.id"]),
        sa.ForeignKeyConstraint(["set_id"], ["labelled_sets.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_detector_comparisons_detector_id", "detector_comparisons", ["detector_id"])


def _make_uses() -> None:
    op.create_table(
        "detector_uses",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("detector_id", sa.Integer(), nullable=True),
        sa.Column("weights_sha256", sa.String(length=64), nullable=False),
        sa.Column("before_id", sa.Integer(), nullable=True),
        sa.Column("before_sha256", sa.String(length=64), nullable=False),
        sa.Column("comparison_id", sa.Integer(), nullable=True),
        sa.Column("set_id", sa.Integer(), nullable=True),
        sa.Column("manifest_sha256", sa.String(length=64), nullable=True),
        sa.Column("goes_back", sa.Boolean(), nullable=False),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["hospital_id"], ["hospitals.id"]),
        sa.ForeignKeyConstraint(["detector_id"], ["detectors.id"]),
        sa.ForeignKeyConstraint(["before_id"], ["detectors.id"]),
        sa.ForeignKeyConstraint(["comparison_id"], ["detector_comparisons.id"]),
        sa.ForeignKeyConstraint(["set_id"], ["labelled_sets.id"]),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
