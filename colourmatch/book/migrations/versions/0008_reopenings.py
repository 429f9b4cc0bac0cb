"""Closed lots that were opened again, and closed again; labels, names and remarks of stocks that were put right."""

import sqlalchemy as sa
from alembic import op

from colourmatch.book.migrations.guarding import add_columns, create, guard

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    add_columns("stock_entries", "label_g_per_100ml", "name", "notes")
    once = op.f("uq_closings_lot_id")
    with op.batch_alter_table(
        "closings"
    ) as closings:  # SQLite drops no constraint: the table is built again there
        closings.add_column(sa.Column("reopened_before", sa.Integer(), nullable=False, server_default="0"))
        closings.drop_constraint(once, type_="unique")
        closings.create_unique_constraint(once, ["lot_id", "reopened_before"])
    with op.batch_alter_table("closings") as closings:
        closings.alter_column("reopened_before", server_default=None)
    if op.get_bind().dialect.name == "sqlite":
        guard("closings")
    create("reopenings")
