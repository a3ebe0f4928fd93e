"""Hospitals, the roles of people in them, one-time links, and whose each record is."""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

from service.migrations.append_only import trigger_statements

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

FIRST_HOSPITAL = "Our hospital"
OWNED = (
    "specimens",
    "calibrations",
    "calibration_pictures",
    "scale_measurements",
    "ocular_scales",
    "labelled_sets",
)
NAMING = {"uq": "uq_%(table_name)s_%(column_0_name)s", "fk": "fk_%(table_name)s_%(column_0_name)s"}


def upgrade() -> None:
    """All there is belongs to the first hospital; everybody keeps the role, in it; sign-ins end."""
    hospitals = op.create_table(
        "hospitals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    now = datetime.now(UTC).replace(tzinfo=None)
    op.bulk_insert(hospitals, [{"name": FIRST_HOSPITAL, "created_at": now}])
    _make_memberships()
    _make_links()
    _make_sign_ins()
    _give_tokens_a_hospital()
    for table in OWNED:
        _give_to_first_hospital(table)
    with op.batch_alter_table("users") as batch:
        batch.drop_column("role")


def _make_memberships() -> None:
    op.create_table(
        "memberships",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"]),
        sa.ForeignKeyConstraint(["hospital_id"], ["hospitals.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("user_id", "hospital_id"),
    )
    op.create_index("ix_memberships_hospital_id", "memberships", ["hospital_id"])
    op.execute(
        "INSERT INTO memberships (user_id, hospital_id, role, created_at) "
        "SELECT id, 1, role, created_at FROM users ORDER BY id"
    )


def _make_links() -> None:
    op.create_table(
        "one_time_links",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=True),
        sa.Column("display_name", sa.String(length=200), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=True),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("expires_at", sa.DateTime(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["hospital_id"], ["hospitals.id"]),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"]),
        sa.ForeignKeyConstraint(["created_by"], ["users.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token_hash"),
    )


def _make_sign_ins() -> None:
    op.drop_table("sign_ins")
    op.create_table(
        "sign_ins",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("hospital_id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("address", sa.String(length=80), nullable=False),
        sa.Column("browser", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("last_used_at", sa.DateTime(), nullable=False),
        sa.Column("expires_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"]),
        sa.ForeignKeyConstraint(["hospital_id"], ["hospitals.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token_hash"),
    )
    op.create_index("ix_sign_ins_user_id", "sign_ins", ["user_id"])


def _give_tokens_a_hospital() -> None:
    with op.batch_alter_table("tokens", naming_convention=NAMING) as batch:
        batch.add_column(sa.Column("hospital_id", sa.Integer(), nullable=False, server_default="1"))
        batch.add_column(sa.Column("role", sa.String(length=20), nullable=False, server_default="assistant"))
        batch.add_column(sa.Column("last_used_at", sa.DateTime(), nullable=True))
        batch.create_foreign_key("fk_tokens_hospital_id", "hospitals", ["hospital_id"], ["id"])
    op.execute("UPDATE tokens SET role = (SELECT role FROM users WHERE users.id = tokens.user_id)")
    with op.batch_alter_table("tokens") as batch:
        batch.alter_column("hospital_id", server_default=None)
        batch.alter_column("role", server_default=None)


def _give_to_first_hospital(table: str) -> None:
    """On SQLite the table is written anew, which takes its triggers with it."""
    dialect = op.get_bind().dialect.name
    with op.batch_alter_table(table, naming_convention=NAMING) as batch:
        batch.add_column(sa.Column("hospital_id", sa.Integer(), nullable=False, server_default="1"))
        batch.create_foreign_key(f"fk_{table}_hospital_id", "hospitals", ["hospital_id"], ["id"])
        if table == "specimens":
            unique = "specimens_code_key" if dialect == "postgresql" else "uq_specimens_code"
            batch.drop_constraint(unique, type_="unique")
            batch.create_unique_constraint("uq_specimens_hospital_id_code", ["hospital_id", "code"])
    with op.batch_alter_table(table) as batch:
        batch.alter_column("hospital_id", server_default=None)
    if dialect == "sqlite":
        for statement in trigger_statements(dialect, (table,)):
            op.execute(statement)
