"""When entries of a lot really happened, put right, with the reason."""

import sqlalchemy as sa
from alembic import op

from colourmatch.book.migrations.guarding import guard

revision = "0007"
down_revision = "0006"

NAME = "moves"


def upgrade() -> None:
    """When entries of a lot really happened, put right, with the reason."""
    op.create_table(
        NAME,
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("moved_entry_id", sa.Integer(), nullable=False),
        sa.Column("moved_to", sa.String(40), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_moves_entry_id")),
        sa.ForeignKeyConstraint(["moved_entry_id"], ["lot_entries.id"], name=op.f("fk_moves_moved_entry_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_moves")),
    )
    guard(NAME)
