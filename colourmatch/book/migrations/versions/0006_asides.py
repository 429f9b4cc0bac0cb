"""Photos of a lot that were set aside, or taken back, with the reason."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

NAME = "asides"


def upgrade() -> None:
    """Photos of a lot that were set aside, or taken back, with the reason."""
    op.create_table(
        NAME,
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("photo_entry_id", sa.Integer(), nullable=False),
        sa.Column("back", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_asides_entry_id")),
        sa.ForeignKeyConstraint(
            ["photo_entry_id"], ["lot_entries.id"], name=op.f("fk_asides_photo_entry_id")
        ),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_asides")),
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
