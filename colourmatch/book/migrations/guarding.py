"""What every migration with a new table ends with."""

from alembic import op

from colourmatch.book.tables import guard_statements


def guard(name: str) -> None:
    """Make a new table append-only, as all are."""
    for statement in guard_statements(op.get_bind().dialect.name, (name,)):
        op.execute(statement)
