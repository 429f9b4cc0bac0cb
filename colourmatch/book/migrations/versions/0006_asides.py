"""Photos of a lot that were set aside, or taken back, with the reason."""

import sqlalchemy as sa
from alembic import op

from colourmatch.book.migrations.guarding import guard

revision = "0006"
down_revision = "0005"

NAME = "asides"


def upgrade() -> None:
    """Photos of a lot that were set aside, or taken back, with the reason."""
    op.create_table(
        NAME,
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("photo_entry_id", sa.Integer(), nullable=False),
        sa.Column("back", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_asides_entry_id")),
        sa.ForeignKeyConstraint(
            ["photo_entry_id"], ["lot_entries.id"], name=op.f("fk_asides_photo_entry_id")
        ),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_asides")),
    )
    guard(NAME)
