"""Trials: a lot may be a trial of another, its parent names it; the colourant that is already in the base."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Trials: a lot may be a trial of another, its parent names it; the colourant that is already in the base."""
    # Added in place: a table built again would lose the guards that make it append-only.
    op.add_column("lots", sa.Column("already_colourant", sa.String(length=160), nullable=True))
    op.add_column("lots", sa.Column("trial_of", sa.Integer(), nullable=True))
    op.add_column("volumes", sa.Column("trial_lot_id", sa.Integer(), nullable=True))
