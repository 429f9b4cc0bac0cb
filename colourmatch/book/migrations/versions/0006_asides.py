"""Photos of a lot that were set aside, or taken back, with the reason."""

from colourmatch.book.migrations.guarding import create

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    create("asides")
