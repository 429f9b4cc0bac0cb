"""What else is known of lots, stocks and their later entries: how a cordial is made up, supplier, batch, use by."""

from colourmatch.book.migrations.guarding import add_columns

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    for table in ("lots", "stocks", "stock_entries"):
        add_columns(table, "details")
