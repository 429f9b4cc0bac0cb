"""What else is known of lots, stocks and their later entries: how a cordial is made up, supplier, batch, use by."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """What else is known of lots, stocks and their later entries: how a cordial is made up, supplier, batch, use by."""
    for table in ("lots", "stocks", "stock_entries"):
        op.add_column(table, sa.Column("details", sa.Text(), nullable=True))
