"""When entries of a lot really happened, put right, with the reason."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"

NAME = "moves"


def upgrade() -> None:
    """When entries of a lot really happened, put right, with the reason."""
    op.create_table(
        NAME,
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("moved_entry_id", sa.Integer(), nullable=False),
        sa.Column("moved_to", sa.String(40), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_moves_entry_id")),
        sa.ForeignKeyConstraint(["moved_entry_id"], ["lot_entries.id"], name=op.f("fk_moves_moved_entry_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_moves")),
    )
    _guard()


def _guard() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f'CREATE TRIGGER {NAME}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON "{NAME}" '
            "FOR EACH STATEMENT EXECUTE FUNCTION colourmatch_append_only()"
        )
        return
    for act in ("UPDATE", "DELETE"):
        op.execute(
            f'CREATE TRIGGER {NAME}_no_{act.lower()} BEFORE {act} ON "{NAME}" '
            "BEGIN SELECT RAISE(ABORT, 'the lot book is append-only'); END"
        )
