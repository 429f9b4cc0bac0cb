"""Hashes of what is written down, those of a lot chained; the rows that are there get theirs."""

import sqlalchemy as sa
from alembic import op

from colourmatch.book.migrations.guarding import guard
from colourmatch.book.seals import seal_missing

revision = "0010"
down_revision = "0009"

NAME = "seals"


def upgrade() -> None:
    op.create_table(
        NAME,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("of_table", sa.String(length=24), nullable=False),
        sa.Column("row_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=True),
        sa.Column("number", sa.Integer(), nullable=True),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_seals")),
        sa.UniqueConstraint("of_table", "row_id", name=op.f("uq_seals_of_table")),
        sa.UniqueConstraint("lot_id", "number", name=op.f("uq_seals_lot_id")),
    )
    seal_missing(op.get_bind(), way=None)
    guard(NAME)
