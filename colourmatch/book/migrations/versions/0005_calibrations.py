"""Calibrations: what printed cards reflect, known liquids of phones, what a lot's photos are read with."""

from colourmatch.book.migrations.guarding import create

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    create("calibrations")
