"""Amendments: figures of a lot's head put right by a later entry."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

NAMES = ("amendments",)


def upgrade() -> None:
    """Amendments: figures of a lot's head put right by a later entry."""
    _amendments()
    _guard(NAMES)


def _amendments() -> None:
    op.create_table(
        "amendments",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("changes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_amendments_entry_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_amendments")),
    )


def _guard(names: tuple[str, ...]) -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE OR REPLACE FUNCTION colourmatch_append_only() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the lot book is append-only'; END $$"
        )
        for name in names:
            op.execute(
                f'CREATE TRIGGER {name}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON "{name}" '
                "FOR EACH STATEMENT EXECUTE FUNCTION colourmatch_append_only()"
            )
        return
    for name in names:
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f'CREATE TRIGGER {name}_no_{act.lower()} BEFORE {act} ON "{name}" '
                "BEGIN SELECT RAISE(ABORT, 'the lot book is append-only'); END"
            )
