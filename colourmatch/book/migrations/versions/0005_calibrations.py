"""Calibrations: what printed cards reflect, known liquids of phones, what a lot's photos are read with."""

import sqlalchemy as sa
from alembic import op

from colourmatch.book.migrations.guarding import guard

revision = "0005"
down_revision = "0004"

NAME = "calibrations"


def upgrade() -> None:
    """Calibrations: what printed cards reflect, known liquids of phones, what a lot's photos are read with."""
    op.create_table(
        NAME,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(length=40), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=True),
        sa.Column("token", sa.String(length=200), nullable=True),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("light", sa.String(length=120), nullable=True),
        sa.Column("light_key", sa.Text(), nullable=True),
        sa.Column("data", sa.Text(), nullable=True),
        sa.Column("original_sha256", sa.String(length=64), nullable=True),
        sa.Column("stored_name", sa.String(length=80), nullable=True),
        sa.Column("original_name", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibrations")),
        sa.UniqueConstraint("token", name=op.f("uq_calibrations_token")),
    )
    op.create_index(op.f("ix_calibrations_name_key"), NAME, ["name_key"])
    guard(NAME)
