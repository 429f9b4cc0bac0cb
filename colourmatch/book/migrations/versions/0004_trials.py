"""Trials: a lot may be a trial of another, its parent names it; the colourant that is already in the base."""

from colourmatch.book.migrations.guarding import add_columns

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    add_columns("lots", "already_colourant", "trial_of")
    add_columns("volumes", "trial_lot_id")
