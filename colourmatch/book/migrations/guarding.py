"""What migrations have in common: tables and columns as tables.py has them, and the guards that let rows only be added."""

from alembic import op
from sqlalchemy import ForeignKeyConstraint, UniqueConstraint

from colourmatch.book.tables import guard_statements, metadata, unguard_statements


def create(name: str, *later: str) -> None:
    """Make a table without the columns that later steps add, append-only as all are."""
    table = metadata.tables[name]
    columns = [column._copy() for column in table.c if column.name not in later]
    unique = [one for one in table.constraints if isinstance(one, UniqueConstraint) and len(one.columns) > 1]
    op.create_table(
        name, *columns, *(UniqueConstraint(*one.columns.keys()) for one in unique),
        *(ForeignKeyConstraint([key.parent.name], [key.target_fullname]) for key in table.foreign_keys),
    )  # fmt: skip
    guard(name)


def add_columns(name: str, *columns: str) -> None:
    """Add columns in place: a table that is built again would lose its guards."""
    for column in columns:
        op.add_column(name, metadata.tables[name].c[column]._copy())


def guard(name: str) -> None:
    """Make a new table append-only."""
    for statement in guard_statements(op.get_bind().dialect.name, (name,)):
        op.execute(statement)


def unguard(name: str) -> None:
    """Let the rows of a table be laid out otherwise, until it is guarded again in the same transaction."""
    for statement in unguard_statements(op.get_bind().dialect.name, name):
        op.execute(statement)
