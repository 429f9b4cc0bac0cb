"""The tables of the lot book in its newest version (a change needs a migration); it knows no rules.
Rows are only ever added: triggers refuse the rest. An entry's head is in lot_entries, whose ids order all
that happened to a lot; its particulars are in a table of its kind."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Boolean, Column, Float, ForeignKey, Index, Integer, MetaData, String, Table, Text
from sqlalchemy import UniqueConstraint as Unique

from colourmatch.book.packing import PackedText

#: The version of the book that this program writes; the name of the newest migration.
VERSION = "0011"

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

version = Table("alembic_version", metadata, Column("version_num", String(32), primary_key=True))


def _table(name: str, *columns: Column[Any] | Index) -> Table:
    """A table whose rows carry an id, when, by whom, and the token that makes a repeat harmless."""
    return Table(
        name,
        metadata,
        Column("id", Integer, primary_key=True),
        Column("created_at", String(40), nullable=False),
        Column("entered_by", Text),
        Column("token", String(200), unique=True),
        *columns,
    )


def _part(name: str, *columns: Column[Any] | Index | Unique) -> Table:
    """The particulars of one kind of entry."""
    return Table(name, metadata, Column("entry_id", ForeignKey("lot_entries.id"), primary_key=True), *columns)


def _floats(*names: str, nullable: bool = False) -> list[Column[Any]]:
    return [Column(name, Float, nullable=nullable) for name in names]


references = _table(
    "references",
    Column("name", String(120), nullable=False),
    Column("name_key", Text, nullable=False, index=True),
    Column("notes", Text, nullable=False),
)

reference_readings = _table(
    "reference_readings",
    Column("reference_id", ForeignKey("references.id"), nullable=False, index=True),
    *_floats("lab_l", "lab_a", "lab_b"),
    *_floats("lab_l_sd", "lab_a_sd", "lab_b_sd", nullable=True),
    *_floats("depth_mm", "dilution"),
    Column("photo_sha256", String(64)),
    Column("measurement", PackedText),
    # Last, as a migration adds them.
    Column("original_sha256", String(64)),
    Column("stored_name", String(80)),
    Column("original_name", Text),
    Column("taken_at", String(40)),
)

stocks = _table(
    "stocks",
    Column("name", String(120), nullable=False),
    Column("name_key", Text, nullable=False, index=True),
    Column("colourant", String(160), nullable=False),
    *_floats("strength_g_per_100ml", "drop_ml"),
    Column("made_in", String(8), nullable=False),
    *_floats("strength_rel_sd", "drop_rel_sd", "density_g_per_ml"),
    Column("notes", Text, nullable=False),
    Column("diluted_from_id", ForeignKey("stocks.id")),
    # JSON: what of the bottle is known beside its strength; last, as a migration adds it.
    Column("details", Text),
)

lots = _table(
    "lots",
    Column("name", String(120), nullable=False),
    Column("name_key", Text, nullable=False),
    Column("number", String(120), unique=True),
    Column("volume_ml", Float, nullable=False),
    Column("ceiling_mg_per_l", Float),
    *_floats("depth_mm", "dilution", "tolerance", "already_mg_per_l"),
    Column("jurisdiction", String(40)),
    Column("reference_id", ForeignKey("references.id")),
    *_floats("target_l", "target_a", "target_b", nullable=True),
    Column("notes", Text, nullable=False),
    Column("serving", Text),
    # Added in place by a migration, which can give SQLite no foreign keys: `trial_of` is the id of a lot.
    Column("already_colourant", String(160)),
    Column("trial_of", Integer),
    # JSON: the fields of records that a column of their own would be too much for (checks.LOT_DETAILS).
    Column("details", Text),
    # A search by part of the name then reads this narrow index, not the recipes.
    Index("ix_lots_search", "name_key", "number"),
)

lot_stocks = Table(
    "lot_stocks",
    metadata,
    Column("lot_id", ForeignKey("lots.id"), primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("stock_id", ForeignKey("stocks.id"), nullable=False),
)

stock_entries = _table(
    "stock_entries",
    Column("stock_id", ForeignKey("stocks.id"), nullable=False, index=True),
    # weighed, learnt, reset, put-away, corrected, or unlearnt: the lot that it was learnt from was opened again
    Column("kind", String(16), nullable=False),
    *_floats("drops", "grams", "drop_ml", "drop_rel_sd", "strength_factor", "strength_rel_sd", nullable=True),
    Column("lot_id", ForeignKey("lots.id")),
    Column("text", Text, nullable=False),
    # What was put right of its label, its name, its remark; last, as a migration adds them.
    Column("label_g_per_100ml", Float),
    Column("name", String(120)),
    Column("notes", Text),
    Column("details", Text),
)

lot_entries = _table(
    "lot_entries",
    Column("lot_id", ForeignKey("lots.id"), nullable=False),
    Column("kind", String(16), nullable=False),
    # Unique: two corrections of the same entry would leave two truths.
    Column("replaces_id", ForeignKey("lot_entries.id"), unique=True),
    Column("reason", Text),
    Index("ix_lot_entries_lot", "lot_id", "id"),
)

additions = _part(
    "additions",
    Column("stock_id", ForeignKey("stocks.id"), nullable=False),
    Column("quantity", Float, nullable=False),
    Column("unit", String(8), nullable=False),
    *_floats("ml", "mg"),
    Column("void", Boolean, nullable=False),
    *_floats("strength_g_per_100ml", "drop_ml", "strength_rel_sd", "drop_rel_sd", "density_g_per_ml"),
)

volumes = _part(
    "volumes",
    Column("ml", Float, nullable=False),
    Column("returned", Boolean, nullable=False),
    Column("void", Boolean, nullable=False),
    # The lot that a trial taken here, or poured back here, is written down as; added by a migration.
    Column("trial_lot_id", Integer),
)

photos = _part(
    "photos",
    Column("lot_id", ForeignKey("lots.id"), nullable=False),
    Column("purpose", String(16), nullable=False),
    Column("sha256", String(64), index=True),
    Column("original_sha256", String(64), index=True),
    Column("stored_name", String(80)),
    Column("original_name", Text),
    Column("taken_at", String(40)),
    *_floats("delta_e_2000", "delta_e_2000_low", "delta_e_2000_high", nullable=True),
    Column("measurement", PackedText, nullable=False),
    Column("advice", PackedText),
)

notes = _part("notes", Column("text", Text, nullable=False))

closings = _part(
    "closings",
    Column("lot_id", ForeignKey("lots.id"), nullable=False),
    Column("outcome", String(40), nullable=False),
    Column("text", Text, nullable=False),
    Column("final", PackedText),
    # Unique with the lot: it is closed once, and once after each time that it was opened again.
    Column("reopened_before", Integer, nullable=False, default=0),
    Unique("lot_id", "reopened_before"),
)

# A closed lot that was opened again; unique: a closing is undone once. Why is the entry's reason.
reopenings = _part("reopenings", Column("closing_entry_id", ForeignKey("lot_entries.id"), nullable=False, unique=True))

amendments = _part("amendments", Column("changes", Text, nullable=False))

# A photo that is set aside, or taken back; why is the entry's reason.
asides = _part(
    "asides",
    Column("photo_entry_id", ForeignKey("lot_entries.id"), nullable=False),
    Column("back", Boolean, nullable=False),
)

# When an entry really happened, put right; why is the entry's reason.
moves = _part(
    "moves",
    Column("moved_entry_id", ForeignKey("lot_entries.id"), nullable=False),
    Column("moved_to", String(40), nullable=False),
)

# Printed cards and phones, and which of them a lot's photos are read with; instrument/.
calibrations = _table(
    "calibrations",
    Column("kind", String(16), nullable=False),
    Column("name", String(120), nullable=False),
    Column("name_key", Text, nullable=False, index=True),
    Column("light", String(120)),
    Column("light_key", Text),
    Column("data", Text),
    Column("original_sha256", String(64)),
    Column("stored_name", String(80)),
    Column("original_name", Text),
)

# The hashes of what is written down, those of a lot chained in the order of `number`; seals.py. Unique: two entries that
# are added at once do not both follow the same one.
seals = Table(
    "seals",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("of_table", String(24), nullable=False),
    Column("row_id", Integer, nullable=False),
    Column("lot_id", Integer),
    Column("number", Integer),
    Column("sha256", String(64), nullable=False),
    # In which way it was made (seals.WAY), none for those from before there was a second; last, as a migration adds it.
    Column("way", Integer),
    Unique("of_table", "row_id"),
    Unique("lot_id", "number"),
)

#: kind of entry -> the table of its particulars
PARTS = {
    "addition": additions,
    "sample": volumes,
    "untinted": volumes,
    "poured-back": volumes,
    "photo": photos,
    "note": notes,
    "closing": closings,
    "amendment": amendments,
    "answer": amendments,
    "set-aside": asides,
    "moved": moves,
    "reopening": reopenings,
}

#: Every table that holds history, each after the ones it points to.
HISTORY = (
    references, reference_readings, stocks, lots, lot_stocks, stock_entries, lot_entries, additions, volumes,
    photos, notes, closings, amendments, calibrations, asides, moves, reopenings, seals,
)  # fmt: skip


def guard_statements(dialect: str, names: tuple[str, ...]) -> Iterator[str]:
    """SQL that makes the named tables append-only."""
    if dialect == "sqlite":
        for name in names:
            for act in ("UPDATE", "DELETE"):
                yield (
                    f'CREATE TRIGGER {name}_no_{act.lower()} BEFORE {act} ON "{name}" '
                    "BEGIN SELECT RAISE(ABORT, 'the lot book is append-only'); END"
                )
    elif dialect == "postgresql":
        yield (
            "CREATE OR REPLACE FUNCTION colourmatch_append_only() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the lot book is append-only'; END $$"
        )
        for name in names:
            yield (
                f'CREATE TRIGGER {name}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON "{name}" '
                "FOR EACH STATEMENT EXECUTE FUNCTION colourmatch_append_only()"
            )


def unguard_statements(dialect: str, name: str) -> Iterator[str]:
    """SQL that takes the guards of one table away, for a migration alone."""
    if dialect == "sqlite":
        yield from (f"DROP TRIGGER {name}_no_{act}" for act in ("update", "delete"))
    else:
        yield f'DROP TRIGGER {name}_append_only ON "{name}"'
