"""Brings an older lot book to the present version, step by step; Alembic, slow to import, changes the tables. It knows no lots.
The steps are only ever added to: each makes what tables.py has, without what later ones add."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import sqlalchemy as sa
from alembic import op
from alembic.migration import MigrationContext
from alembic.operations import Operations
from sqlalchemy import Connection, ForeignKeyConstraint, UniqueConstraint

from colourmatch.book import tables as t
from colourmatch.book.packing import pack, unpack
from colourmatch.book.seals import seal_missing


def upgrade(connection: Connection, version: str = t.VERSION) -> str:
    """Take the steps up to a version in the transaction of a connection; nothing is changed when one fails.

    Gives the version that the book then has: a later one, untouched, where a newer program came first.
    """
    t.version.create(connection, checkfirst=True)
    found = connection.scalar(sa.select(t.version.c.version_num)) or ""
    with Operations.context(MigrationContext.configure(connection, opts={"target_metadata": t.metadata})):
        for number, step in STEPS.items():
            if found < number <= version:
                step()
    connection.execute(t.version.delete())
    reached = max(found, version)
    connection.execute(t.version.insert(), {"version_num": reached})
    return reached


def _create(name: str, *later: str) -> None:
    """Make a table without the columns that later steps add, append-only as all are."""
    table = t.metadata.tables[name]
    columns = [column._copy() for column in table.c if column.name not in later]
    unique = [one for one in table.constraints if isinstance(one, UniqueConstraint) and len(one.columns) > 1]
    op.create_table(
        name, *columns, *(UniqueConstraint(*one.columns.keys()) for one in unique),
        *(ForeignKeyConstraint([key.parent.name], [key.target_fullname]) for key in table.foreign_keys),
    )  # fmt: skip
    _guard(name)


def _add(**columns: tuple[str, ...]) -> None:
    """Add columns of tables in place: a table that is built again would lose its guards."""
    for name, added in columns.items():
        for column in added:
            op.add_column(name, t.metadata.tables[name].c[column]._copy())


def _guard(name: str) -> None:
    """Make a table append-only."""
    for statement in t.guard_statements(op.get_bind().dialect.name, (name,)):
        op.execute(statement)


def _make_reopenings() -> None:
    """Closed lots that were opened again, and closed again; labels, names and remarks of stocks that were put right."""
    _add(stock_entries=("label_g_per_100ml", "name", "notes"))
    once = op.f("uq_closings_lot_id")
    # SQLite drops no constraint: the table is built again there
    with op.batch_alter_table("closings") as closings:
        closings.add_column(sa.Column("reopened_before", sa.Integer(), nullable=False, server_default="0"))
        closings.drop_constraint(once, type_="unique")
        closings.create_unique_constraint(once, ["lot_id", "reopened_before"])
    with op.batch_alter_table("closings") as closings:
        closings.alter_column("reopened_before", server_default=None)
    if op.get_bind().dialect.name == "sqlite":
        _guard("closings")
    _create("reopenings")


def _seal() -> None:
    """Hashes of what is written down, those of a lot chained; the rows that are there get theirs."""
    _create("seals", "way")
    seal_missing(op.get_bind(), way=None)


def _pack() -> None:
    """Long texts are packed as new ones are; the hashes stay, and new ones say in which way they were made."""
    _add(seals=("way",))
    packed = {
        "photos": ("measurement", "advice"),
        "closings": ("final",),
        "reference_readings": ("measurement",),
    }
    connection = op.get_bind()
    for table, names in packed.items():
        key = "id" if table == "reference_readings" else "entry_id"
        for statement in t.unguard_statements(connection.dialect.name, table):
            op.execute(statement)
        for name in names:
            if connection.dialect.name == "postgresql":  # SQLite's columns of texts take bytes too
                op.execute(f"ALTER TABLE {table} ALTER COLUMN {name} TYPE bytea USING convert_to({name}, 'UTF8')")
            change = sa.text(f"UPDATE {table} SET {name} = :text WHERE {key} = :key")
            some = f"{key} > :last AND {name} IS NOT NULL ORDER BY {key} LIMIT 200"
            query, last = sa.text(f"SELECT {key}, {name} FROM {table} WHERE {some}"), 0
            while rows := connection.execute(query, {"last": last}).all():
                connection.execute(change, [{"key": k, "text": pack(unpack(text))} for k, text in rows])
                last = rows[-1][0]
        _guard(table)


#: version -> the step that leads to it
STEPS: dict[str, Callable[[], None]] = {
    # Stocks, references, lots and what happens to them: a book had these from its start, a new one is built whole.
    "0001": lambda: None,
    # Figures of a lot's head put right by a later entry.
    "0002": partial(_create, "amendments"),
    # The file of a reading's photo is kept, as that of a lot's.
    "0003": partial(_add, reference_readings=("original_sha256", "stored_name", "original_name", "taken_at")),
    # A lot may be a trial of another, its parent names it; the colourant that is already in the base.
    "0004": partial(_add, lots=("already_colourant", "trial_of"), volumes=("trial_lot_id",)),
    # What printed cards reflect, known liquids of phones, what a lot's photos are read with.
    "0005": partial(_create, "calibrations"),
    # Photos of a lot that were set aside, or taken back, with the reason.
    "0006": partial(_create, "asides"),
    # When entries of a lot really happened, put right, with the reason.
    "0007": partial(_create, "moves"),
    "0008": _make_reopenings,
    # What else is known of lots, stocks and their later entries: how a cordial is made up, supplier, batch, use by.
    "0009": partial(_add, lots=("details",), stocks=("details",), stock_entries=("details",)),
    "0010": _seal,
    "0011": _pack,
}
