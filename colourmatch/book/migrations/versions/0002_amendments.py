"""Amendments: figures of a lot's head put right by a later entry."""

from colourmatch.book.migrations.guarding import create

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    create("amendments")
