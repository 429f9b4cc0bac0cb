"""Reference photos: the file of a reading's photo is kept, as that of a lot's."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Reference photos: the file of a reading's photo is kept, as that of a lot's."""
    # Added in place: a table built again would lose the guards that make it append-only.
    op.add_column("reference_readings", sa.Column("original_sha256", sa.String(length=64), nullable=True))
    op.add_column("reference_readings", sa.Column("stored_name", sa.String(length=80), nullable=True))
    op.add_column("reference_readings", sa.Column("original_name", sa.Text(), nullable=True))
    op.add_column("reference_readings", sa.Column("taken_at", sa.String(length=40), nullable=True))
