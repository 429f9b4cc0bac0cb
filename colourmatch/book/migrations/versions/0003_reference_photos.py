"""Reference photos: the file of a reading's photo is kept, as that of a lot's."""

from colourmatch.book.migrations.guarding import add_columns

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    add_columns("reference_readings", "original_sha256", "stored_name", "original_name", "taken_at")
