"""First form of the records."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

APPEND_ONLY = (
    "calibrations",
    "specimens",
    "preparations",
    "images",
    "proposals",
    "candidates",
    "showings",
    "reads",
    "read_locks",
    "marks",
    "second_looks",
    "second_look_closings",
    "adjudications",
    "sign_offs",
)


def upgrade() -> None:
    """First form of the records."""
    op.create_table(
        "users",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("user_name", sa.String(length=80), nullable=False),
        sa.Column("display_name", sa.String(length=200), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("password_hash", sa.String(length=300), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("user_name"),
    )
    op.create_table(
        "calibrations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("microscope", sa.String(length=200), nullable=False),
        sa.Column("objective", sa.String(length=200), nullable=False),
        sa.Column("um_per_px", sa.Double(), nullable=False),
        sa.Column("um_per_px_sd", sa.Double(), nullable=False),
        sa.Column("source", sa.String(length=400), nullable=False),
        sa.Column("image_width", sa.Integer(), nullable=True),
        sa.Column("image_height", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["created_by"],
            ["users.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "labelled_sets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("n_images", sa.Integer(), nullable=False),
        sa.Column("n_annotations", sa.Integer(), nullable=False),
        sa.Column("left_out", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["created_by"],
            ["users.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "sign_ins",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("expires_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["user_id"],
            ["users.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token_hash"),
    )
    op.create_table(
        "specimens",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=80), nullable=False),
        sa.Column("species", sa.String(length=20), nullable=False),
        sa.Column("animal_label", sa.String(length=200), nullable=False),
        sa.Column("collected_on", sa.Date(), nullable=True),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["created_by"],
            ["users.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("code"),
    )
    op.create_table(
        "tokens",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("revoked_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["user_id"],
            ["users.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token_hash"),
    )
    op.create_index("ix_tokens_user_id", "tokens", ["user_id"])

    op.create_table(
        "preparations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("method", sa.String(length=20), nullable=False),
        sa.Column("solution", sa.String(length=200), nullable=False),
        sa.Column("specific_gravity", sa.Double(), nullable=True),
        sa.Column("sample_g", sa.Double(), nullable=True),
        sa.Column("standing_min", sa.Double(), nullable=True),
        sa.Column("coverslip_mm", sa.Double(), nullable=True),
        sa.Column("prepared_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["specimen_id"],
            ["specimens.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_preparations_specimen_id", "preparations", ["specimen_id"])

    op.create_table(
        "second_looks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("asked_by", sa.Integer(), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=True),
        sa.Column("is_blind", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["asked_by"],
            ["users.id"],
        ),
        sa.ForeignKeyConstraint(
            ["reader_id"],
            ["users.id"],
        ),
        sa.ForeignKeyConstraint(
            ["specimen_id"],
            ["specimens.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_second_looks_specimen_id", "second_looks", ["specimen_id"])

    op.create_table(
        "sign_offs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["reader_id"],
            ["users.id"],
        ),
        sa.ForeignKeyConstraint(
            ["specimen_id"],
            ["specimens.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("specimen_id"),
    )
    op.create_table(
        "images",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("n_bytes", sa.BigInteger(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["created_by"],
            ["users.id"],
        ),
        sa.ForeignKeyConstraint(
            ["preparation_id"],
            ["preparations.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("preparation_id", "sha256"),
    )
    op.create_index("ix_images_sha256", "images", ["sha256"])

    op.create_table(
        "second_look_closings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("second_look_id", sa.Integer(), nullable=False),
        sa.Column("closed_by", sa.Integer(), nullable=False),
        sa.Column("closed_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["closed_by"],
            ["users.id"],
        ),
        sa.ForeignKeyConstraint(
            ["second_look_id"],
            ["second_looks.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("second_look_id"),
    )
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("image_id", sa.Integer(), nullable=False),
        sa.Column("um_per_px", sa.Double(), nullable=True),
        sa.Column("um_per_px_sd", sa.Double(), nullable=True),
        sa.Column("calibration_source", sa.String(length=400), nullable=True),
        sa.Column("calibration_id", sa.Integer(), nullable=True),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("zoom_levels", sa.Integer(), nullable=True),
        sa.Column("batches_done", sa.Integer(), nullable=False),
        sa.Column("batches_total", sa.Integer(), nullable=True),
        sa.Column("batch_seconds", sa.Double(), nullable=True),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["calibration_id"],
            ["calibrations.id"],
        ),
        sa.ForeignKeyConstraint(
            ["image_id"],
            ["images.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_jobs_image_id", "jobs", ["image_id"])

    op.create_table(
        "reads",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("image_id", sa.Integer(), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("mode", sa.String(length=10), nullable=False),
        sa.Column("shown_before", sa.Boolean(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["image_id"],
            ["images.id"],
        ),
        sa.ForeignKeyConstraint(
            ["reader_id"],
            ["users.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_reads_image_id", "reads", ["image_id"])

    op.create_table(
        "showings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("image_id", sa.Integer(), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("shown_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["image_id"],
            ["images.id"],
        ),
        sa.ForeignKeyConstraint(
            ["reader_id"],
            ["users.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("image_id", "reader_id"),
    )
    op.create_table(
        "proposals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("image_id", sa.Integer(), nullable=False),
        sa.Column("detector_name", sa.String(length=200), nullable=False),
        sa.Column("detector_sha256", sa.String(length=64), nullable=False),
        sa.Column("default_cut", sa.Double(), nullable=False),
        sa.Column("head", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["image_id"],
            ["images.id"],
        ),
        sa.ForeignKeyConstraint(
            ["job_id"],
            ["jobs.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("job_id"),
    )
    op.create_index("ix_proposals_image_id", "proposals", ["image_id"])

    op.create_table(
        "read_locks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("read_id", sa.Integer(), nullable=False),
        sa.Column("locked_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["read_id"],
            ["reads.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("read_id"),
    )
    op.create_table(
        "candidates",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("image_id", sa.Integer(), nullable=False),
        sa.Column("proposal_id", sa.Integer(), nullable=True),
        sa.Column("origin", sa.String(length=10), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=True),
        sa.Column("is_above_cut", sa.Boolean(), nullable=False),
        sa.Column("group", sa.String(length=80), nullable=False),
        sa.Column("said", sa.JSON(), nullable=False),
        sa.Column("drawn_by", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["drawn_by"],
            ["users.id"],
        ),
        sa.ForeignKeyConstraint(
            ["image_id"],
            ["images.id"],
        ),
        sa.ForeignKeyConstraint(
            ["proposal_id"],
            ["proposals.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("proposal_id", "rank"),
    )
    op.create_index("ix_candidates_image_id_proposal_id", "candidates", ["image_id", "proposal_id"])

    op.create_table(
        "adjudications",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("candidate_id", sa.Integer(), nullable=False),
        sa.Column("answer", sa.String(length=10), nullable=False),
        sa.Column("group", sa.String(length=80), nullable=True),
        sa.Column("reason", sa.String(length=80), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("replaces", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["candidate_id"],
            ["candidates.id"],
        ),
        sa.ForeignKeyConstraint(
            ["reader_id"],
            ["users.id"],
        ),
        sa.ForeignKeyConstraint(
            ["replaces"],
            ["adjudications.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("replaces"),
    )
    op.create_index("ix_adjudications_candidate_id", "adjudications", ["candidate_id"])

    op.create_table(
        "marks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("candidate_id", sa.Integer(), nullable=False),
        sa.Column("answer", sa.String(length=10), nullable=False),
        sa.Column("group", sa.String(length=80), nullable=True),
        sa.Column("reason", sa.String(length=80), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("read_id", sa.Integer(), nullable=False),
        sa.Column("replaces", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["candidate_id"],
            ["candidates.id"],
        ),
        sa.ForeignKeyConstraint(
            ["read_id"],
            ["reads.id"],
        ),
        sa.ForeignKeyConstraint(
            ["reader_id"],
            ["users.id"],
        ),
        sa.ForeignKeyConstraint(
            ["replaces"],
            ["marks.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("replaces"),
    )
    op.create_index("ix_marks_candidate_id", "marks", ["candidate_id"])
    for statement in trigger_statements(op.get_bind().dialect.name, APPEND_ONLY):
        op.execute(statement)
