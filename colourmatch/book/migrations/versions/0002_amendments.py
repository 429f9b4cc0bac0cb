"""Amendments: figures of a lot's head put right by a later entry."""

import sqlalchemy as sa
from alembic import op

from colourmatch.book.migrations.guarding import guard

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Amendments: figures of a lot's head put right by a later entry."""
    op.create_table(
        "amendments",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("changes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_amendments_entry_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_amendments")),
    )
    guard("amendments")
