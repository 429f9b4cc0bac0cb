"""Closed lots that were opened again, and closed again; labels, names and remarks of stocks that were put right."""

import sqlalchemy as sa
from alembic import op

from colourmatch.book.migrations.guarding import guard

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Closed lots that were opened again, and closed again; labels, names and remarks of stocks that were put right."""
    for column in (
        sa.Column("label_g_per_100ml", sa.Float(), nullable=True),
        sa.Column("name", sa.String(length=120), nullable=True),
        sa.Column("notes", sa.Text(), nullable=True),
    ):
        op.add_column("stock_entries", column)
    if op.get_bind().dialect.name == "postgresql":
        _count_closings()
    else:
        _build_closings_anew()
    op.create_table(
        "reopenings",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("closing_entry_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_reopenings_entry_id")),
        sa.ForeignKeyConstraint(
            ["closing_entry_id"], ["lot_entries.id"], name=op.f("fk_reopenings_closing_entry_id")
        ),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_reopenings")),
        sa.UniqueConstraint("closing_entry_id", name=op.f("uq_reopenings_closing_entry_id")),
    )
    guard("reopenings")


def _count_closings() -> None:
    """A server changes the table in place, its guard stays."""
    count = sa.Column("reopened_before", sa.Integer(), nullable=False, server_default="0")
    op.add_column("closings", count)
    op.alter_column("closings", "reopened_before", server_default=None)
    op.drop_constraint(op.f("uq_closings_lot_id"), "closings", type_="unique")
    op.create_unique_constraint(op.f("uq_closings_lot_id"), "closings", ["lot_id", "reopened_before"])


def _build_closings_anew() -> None:
    """SQLite drops no constraint; nothing points to this table, so that it is built again, with its guards."""
    op.create_table(
        "closings_counted",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.String(length=40), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("final", sa.Text(), nullable=True),
        sa.Column("reopened_before", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_closings_entry_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_closings_lot_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_closings")),
        sa.UniqueConstraint("lot_id", "reopened_before", name=op.f("uq_closings_lot_id")),
    )
    op.execute("INSERT INTO closings_counted SELECT entry_id, lot_id, outcome, text, final, 0 FROM closings")
    op.drop_table("closings")
    op.rename_table("closings_counted", "closings")
    guard("closings")
