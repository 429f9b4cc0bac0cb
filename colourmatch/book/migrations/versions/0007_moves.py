"""When entries of a lot really happened, put right, with the reason."""

from colourmatch.book.migrations.guarding import create

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    create("moves")
