"""Long texts of older books are packed as new ones are; the hashes stay, and new ones say in which way they were made."""

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

from colourmatch.book.migrations.guarding import add_columns, guard, unguard
from colourmatch.book.packing import pack, unpack

revision = "0011"
down_revision = "0010"

COLUMNS = {
    "photos": ("entry_id", ("measurement", "advice")),
    "closings": ("entry_id", ("final",)),
    "reference_readings": ("id", ("measurement",)),
}
AT_ONCE = 200


def upgrade() -> None:
    add_columns("seals", "way")
    for table, (key, names) in COLUMNS.items():
        unguard(table)
        for name in names:
            if op.get_bind().dialect.name == "postgresql":  # SQLite's columns of texts take bytes too
                op.execute(
                    f"ALTER TABLE {table} ALTER COLUMN {name} TYPE bytea USING convert_to({name}, 'UTF8')"
                )
            change = sa.text(f"UPDATE {table} SET {name} = :text WHERE {key} = :key")
            for rows in _read(table, key, name):
                packed = [{"key": row_key, "text": pack(unpack(text))} for row_key, text in rows]
                op.get_bind().execute(change, packed)
        guard(table)


def _read(table: str, key: str, name: str) -> Iterator[list[tuple[int, str | bytes]]]:
    query = sa.text(
        f"SELECT {key}, {name} FROM {table} WHERE {key} > :last AND {name} IS NOT NULL ORDER BY {key} LIMIT {AT_ONCE}"
    )
    last = 0
    while rows := [tuple(row) for row in op.get_bind().execute(query, {"last": last})]:
        yield rows
        last = rows[-1][0]
