"""The tables of a lot book as version 0001 built them; books that old are still opened, so that this never changes."""

import sqlalchemy as sa
from alembic import op

from colourmatch.book.tables import guard_statements

NAMES = (
    "references",
    "reference_readings",
    "stocks",
    "lots",
    "lot_stocks",
    "stock_entries",
    "lot_entries",
    "additions",
    "volumes",
    "photos",
    "notes",
    "closings",
)


def build_first_book() -> None:
    """Make the tables of version 0001 on the connection of an Alembic context."""
    _references()
    _stocks()
    _lots()
    _reference_readings()
    _lot_entries()
    _lot_stocks()
    _stock_entries()
    _additions()
    _closings()
    _notes()
    _photos()
    _volumes()
    for statement in guard_statements(op.get_bind().dialect.name, NAMES):
        op.execute(statement)


def _references() -> None:
    op.create_table(
        "references",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(length=40), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=True),
        sa.Column("token", sa.String(length=200), nullable=True),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_references")),
        sa.UniqueConstraint("token", name=op.f("uq_references_token")),
    )
    op.create_index(op.f("ix_references_name_key"), "references", ["name_key"], unique=False)


def _stocks() -> None:
    op.create_table(
        "stocks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(length=40), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=True),
        sa.Column("token", sa.String(length=200), nullable=True),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("colourant", sa.String(length=160), nullable=False),
        sa.Column("strength_g_per_100ml", sa.Float(), nullable=False),
        sa.Column("drop_ml", sa.Float(), nullable=False),
        sa.Column("made_in", sa.String(length=8), nullable=False),
        sa.Column("strength_rel_sd", sa.Float(), nullable=False),
        sa.Column("drop_rel_sd", sa.Float(), nullable=False),
        sa.Column("density_g_per_ml", sa.Float(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("diluted_from_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["diluted_from_id"], ["stocks.id"], name=op.f("fk_stocks_diluted_from_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stocks")),
        sa.UniqueConstraint("token", name=op.f("uq_stocks_token")),
    )
    op.create_index(op.f("ix_stocks_name_key"), "stocks", ["name_key"], unique=False)


def _lots() -> None:
    op.create_table(
        "lots",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(length=40), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=True),
        sa.Column("token", sa.String(length=200), nullable=True),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("number", sa.String(length=120), nullable=True),
        sa.Column("volume_ml", sa.Float(), nullable=False),
        sa.Column("ceiling_mg_per_l", sa.Float(), nullable=True),
        sa.Column("depth_mm", sa.Float(), nullable=False),
        sa.Column("dilution", sa.Float(), nullable=False),
        sa.Column("tolerance", sa.Float(), nullable=False),
        sa.Column("already_mg_per_l", sa.Float(), nullable=False),
        sa.Column("jurisdiction", sa.String(length=40), nullable=True),
        sa.Column("reference_id", sa.Integer(), nullable=True),
        sa.Column("target_l", sa.Float(), nullable=True),
        sa.Column("target_a", sa.Float(), nullable=True),
        sa.Column("target_b", sa.Float(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("serving", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["reference_id"], ["references.id"], name=op.f("fk_lots_reference_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lots")),
        sa.UniqueConstraint("number", name=op.f("uq_lots_number")),
        sa.UniqueConstraint("token", name=op.f("uq_lots_token")),
    )
    op.create_index("ix_lots_search", "lots", ["name_key", "number"], unique=False)


def _reference_readings() -> None:
    op.create_table(
        "reference_readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(length=40), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=True),
        sa.Column("token", sa.String(length=200), nullable=True),
        sa.Column("reference_id", sa.Integer(), nullable=False),
        sa.Column("lab_l", sa.Float(), nullable=False),
        sa.Column("lab_a", sa.Float(), nullable=False),
        sa.Column("lab_b", sa.Float(), nullable=False),
        sa.Column("lab_l_sd", sa.Float(), nullable=True),
        sa.Column("lab_a_sd", sa.Float(), nullable=True),
        sa.Column("lab_b_sd", sa.Float(), nullable=True),
        sa.Column("depth_mm", sa.Float(), nullable=False),
        sa.Column("dilution", sa.Float(), nullable=False),
        sa.Column("photo_sha256", sa.String(length=64), nullable=True),
        sa.Column("measurement", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["reference_id"], ["references.id"], name=op.f("fk_reference_readings_reference_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reference_readings")),
        sa.UniqueConstraint("token", name=op.f("uq_reference_readings_token")),
    )
    op.create_index(
        op.f("ix_reference_readings_reference_id"), "reference_readings", ["reference_id"], unique=False
    )


def _lot_entries() -> None:
    op.create_table(
        "lot_entries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(length=40), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=True),
        sa.Column("token", sa.String(length=200), nullable=True),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_lot_entries_lot_id")),
        sa.ForeignKeyConstraint(["replaces_id"], ["lot_entries.id"], name=op.f("fk_lot_entries_replaces_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot_entries")),
        sa.UniqueConstraint("replaces_id", name=op.f("uq_lot_entries_replaces_id")),
        sa.UniqueConstraint("token", name=op.f("uq_lot_entries_token")),
    )
    op.create_index("ix_lot_entries_lot", "lot_entries", ["lot_id", "id"], unique=False)


def _lot_stocks() -> None:
    op.create_table(
        "lot_stocks",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("stock_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_lot_stocks_lot_id")),
        sa.ForeignKeyConstraint(["stock_id"], ["stocks.id"], name=op.f("fk_lot_stocks_stock_id")),
        sa.PrimaryKeyConstraint("lot_id", "position", name=op.f("pk_lot_stocks")),
    )


def _stock_entries() -> None:
    op.create_table(
        "stock_entries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(length=40), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=True),
        sa.Column("token", sa.String(length=200), nullable=True),
        sa.Column("stock_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("drops", sa.Float(), nullable=True),
        sa.Column("grams", sa.Float(), nullable=True),
        sa.Column("drop_ml", sa.Float(), nullable=True),
        sa.Column("drop_rel_sd", sa.Float(), nullable=True),
        sa.Column("strength_factor", sa.Float(), nullable=True),
        sa.Column("strength_rel_sd", sa.Float(), nullable=True),
        sa.Column("lot_id", sa.Integer(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_stock_entries_lot_id")),
        sa.ForeignKeyConstraint(["stock_id"], ["stocks.id"], name=op.f("fk_stock_entries_stock_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_entries")),
        sa.UniqueConstraint("token", name=op.f("uq_stock_entries_token")),
    )
    op.create_index(op.f("ix_stock_entries_stock_id"), "stock_entries", ["stock_id"], unique=False)


def _additions() -> None:
    op.create_table(
        "additions",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("stock_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(length=8), nullable=False),
        sa.Column("ml", sa.Float(), nullable=False),
        sa.Column("mg", sa.Float(), nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("strength_g_per_100ml", sa.Float(), nullable=False),
        sa.Column("drop_ml", sa.Float(), nullable=False),
        sa.Column("strength_rel_sd", sa.Float(), nullable=False),
        sa.Column("drop_rel_sd", sa.Float(), nullable=False),
        sa.Column("density_g_per_ml", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_additions_entry_id")),
        sa.ForeignKeyConstraint(["stock_id"], ["stocks.id"], name=op.f("fk_additions_stock_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_additions")),
    )


def _closings() -> None:
    op.create_table(
        "closings",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.String(length=40), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("final", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_closings_entry_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_closings_lot_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_closings")),
        sa.UniqueConstraint("lot_id", name=op.f("uq_closings_lot_id")),
    )


def _notes() -> None:
    op.create_table(
        "notes",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_notes_entry_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_notes")),
    )


def _photos() -> None:
    op.create_table(
        "photos",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.String(length=16), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=True),
        sa.Column("original_sha256", sa.String(length=64), nullable=True),
        sa.Column("stored_name", sa.String(length=80), nullable=True),
        sa.Column("original_name", sa.Text(), nullable=True),
        sa.Column("taken_at", sa.String(length=40), nullable=True),
        sa.Column("delta_e_2000", sa.Float(), nullable=True),
        sa.Column("delta_e_2000_low", sa.Float(), nullable=True),
        sa.Column("delta_e_2000_high", sa.Float(), nullable=True),
        sa.Column("measurement", sa.Text(), nullable=False),
        sa.Column("advice", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_photos_entry_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_photos_lot_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_photos")),
    )
    op.create_index(op.f("ix_photos_original_sha256"), "photos", ["original_sha256"], unique=False)
    op.create_index(op.f("ix_photos_sha256"), "photos", ["sha256"], unique=False)


def _volumes() -> None:
    op.create_table(
        "volumes",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("ml", sa.Float(), nullable=False),
        sa.Column("returned", sa.Boolean(), nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["lot_entries.id"], name=op.f("fk_volumes_entry_id")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_volumes")),
    )
