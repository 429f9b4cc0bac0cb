"""Hashes of what is written down, those of a lot chained; the rows that are there get theirs."""

from alembic import op

from colourmatch.book.migrations.guarding import create
from colourmatch.book.seals import seal_missing

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    create("seals", "way")
    seal_missing(op.get_bind(), way=None)
