"""What every migration with a new table ends with, and what one that rewrites an old one begins with."""

from alembic import op

from colourmatch.book.tables import guard_statements, unguard_statements


def guard(name: str) -> None:
    """Make a new table append-only, as all are."""
    for statement in guard_statements(op.get_bind().dialect.name, (name,)):
        op.execute(statement)


def unguard(name: str) -> None:
    """Let the rows of a table be laid out otherwise, until it is guarded again in the same transaction."""
    for statement in unguard_statements(op.get_bind().dialect.name, name):
        op.execute(statement)
