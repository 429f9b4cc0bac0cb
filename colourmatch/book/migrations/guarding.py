"""What migrations have in common: tables and columns as tables.py has them, and the guards that let rows only be added."""

from alembic import op

from colourmatch.book.tables import guard_statements, metadata, unguard_statements


def create(name: str) -> None:
    """Make a table to which no later step adds a column, append-only as all are."""
    metadata.tables[name].create(op.get_bind())
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
