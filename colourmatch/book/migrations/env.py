"""Alembic's entry: it runs the migrations on the connection that it is handed, inside its transaction."""

from alembic import context

from colourmatch.book.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
with context.begin_transaction():
    context.run_migrations()
