"""The tables of a lot book as version 0001 built them; books that old are still opened, so that this never changes."""

import re

from alembic import op

from colourmatch.book.tables import guard_statements

#: What each entry has of its own; {key} counts up by itself.
HEAD = "id {key} NOT NULL, created_at VARCHAR(40) NOT NULL, entered_by TEXT, token VARCHAR(200)"
TABLES = """
CREATE TABLE "references" (
  {head}, name VARCHAR(120) NOT NULL, name_key TEXT NOT NULL, notes TEXT NOT NULL,
  CONSTRAINT pk_references PRIMARY KEY (id), CONSTRAINT uq_references_token UNIQUE (token)
);
CREATE INDEX ix_references_name_key ON "references" (name_key);
CREATE TABLE stocks (
  {head}, name VARCHAR(120) NOT NULL, name_key TEXT NOT NULL, colourant VARCHAR(160) NOT NULL,
  strength_g_per_100ml FLOAT NOT NULL, drop_ml FLOAT NOT NULL, made_in VARCHAR(8) NOT NULL,
  strength_rel_sd FLOAT NOT NULL, drop_rel_sd FLOAT NOT NULL, density_g_per_ml FLOAT NOT NULL,
  notes TEXT NOT NULL, diluted_from_id INTEGER,
  CONSTRAINT pk_stocks PRIMARY KEY (id),
  CONSTRAINT fk_stocks_diluted_from_id FOREIGN KEY(diluted_from_id) REFERENCES stocks (id),
  CONSTRAINT uq_stocks_token UNIQUE (token)
);
CREATE INDEX ix_stocks_name_key ON stocks (name_key);
CREATE TABLE lots (
  {head}, name VARCHAR(120) NOT NULL, name_key TEXT NOT NULL, number VARCHAR(120),
  volume_ml FLOAT NOT NULL, ceiling_mg_per_l FLOAT, depth_mm FLOAT NOT NULL, dilution FLOAT NOT NULL,
  tolerance FLOAT NOT NULL, already_mg_per_l FLOAT NOT NULL, jurisdiction VARCHAR(40),
  reference_id INTEGER, target_l FLOAT, target_a FLOAT, target_b FLOAT, notes TEXT NOT NULL,
  serving TEXT,
  CONSTRAINT pk_lots PRIMARY KEY (id),
  CONSTRAINT fk_lots_reference_id FOREIGN KEY(reference_id) REFERENCES "references" (id),
  CONSTRAINT uq_lots_number UNIQUE (number), CONSTRAINT uq_lots_token UNIQUE (token)
);
CREATE INDEX ix_lots_search ON lots (name_key, number);
CREATE TABLE reference_readings (
  {head}, reference_id INTEGER NOT NULL, lab_l FLOAT NOT NULL, lab_a FLOAT NOT NULL,
  lab_b FLOAT NOT NULL, lab_l_sd FLOAT, lab_a_sd FLOAT, lab_b_sd FLOAT, depth_mm FLOAT NOT NULL,
  dilution FLOAT NOT NULL, photo_sha256 VARCHAR(64), measurement TEXT,
  CONSTRAINT pk_reference_readings PRIMARY KEY (id),
  CONSTRAINT fk_reference_readings_reference_id FOREIGN KEY(reference_id) REFERENCES "references" (id),
  CONSTRAINT uq_reference_readings_token UNIQUE (token)
);
CREATE INDEX ix_reference_readings_reference_id ON reference_readings (reference_id);
CREATE TABLE lot_entries (
  {head}, lot_id INTEGER NOT NULL, kind VARCHAR(16) NOT NULL, replaces_id INTEGER, reason TEXT,
  CONSTRAINT pk_lot_entries PRIMARY KEY (id),
  CONSTRAINT fk_lot_entries_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id),
  CONSTRAINT fk_lot_entries_replaces_id FOREIGN KEY(replaces_id) REFERENCES lot_entries (id),
  CONSTRAINT uq_lot_entries_replaces_id UNIQUE (replaces_id),
  CONSTRAINT uq_lot_entries_token UNIQUE (token)
);
CREATE INDEX ix_lot_entries_lot ON lot_entries (lot_id, id);
CREATE TABLE lot_stocks (
  lot_id INTEGER NOT NULL, position INTEGER NOT NULL, stock_id INTEGER NOT NULL,
  CONSTRAINT pk_lot_stocks PRIMARY KEY (lot_id, position),
  CONSTRAINT fk_lot_stocks_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id),
  CONSTRAINT fk_lot_stocks_stock_id FOREIGN KEY(stock_id) REFERENCES stocks (id)
);
CREATE TABLE stock_entries (
  {head}, stock_id INTEGER NOT NULL, kind VARCHAR(16) NOT NULL, drops FLOAT, grams FLOAT,
  drop_ml FLOAT, drop_rel_sd FLOAT, strength_factor FLOAT, strength_rel_sd FLOAT, lot_id INTEGER,
  text TEXT NOT NULL,
  CONSTRAINT pk_stock_entries PRIMARY KEY (id),
  CONSTRAINT fk_stock_entries_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id),
  CONSTRAINT fk_stock_entries_stock_id FOREIGN KEY(stock_id) REFERENCES stocks (id),
  CONSTRAINT uq_stock_entries_token UNIQUE (token)
);
CREATE INDEX ix_stock_entries_stock_id ON stock_entries (stock_id);
CREATE TABLE additions (
  entry_id INTEGER NOT NULL, stock_id INTEGER NOT NULL, quantity FLOAT NOT NULL,
  unit VARCHAR(8) NOT NULL, ml FLOAT NOT NULL, mg FLOAT NOT NULL, void BOOLEAN NOT NULL,
  strength_g_per_100ml FLOAT NOT NULL, drop_ml FLOAT NOT NULL, strength_rel_sd FLOAT NOT NULL,
  drop_rel_sd FLOAT NOT NULL, density_g_per_ml FLOAT NOT NULL,
  CONSTRAINT pk_additions PRIMARY KEY (entry_id),
  CONSTRAINT fk_additions_entry_id FOREIGN KEY(entry_id) REFERENCES lot_entries (id),
  CONSTRAINT fk_additions_stock_id FOREIGN KEY(stock_id) REFERENCES stocks (id)
);
CREATE TABLE closings (
  entry_id INTEGER NOT NULL, lot_id INTEGER NOT NULL, outcome VARCHAR(40) NOT NULL, text TEXT NOT NULL,
  final TEXT,
  CONSTRAINT pk_closings PRIMARY KEY (entry_id),
  CONSTRAINT fk_closings_entry_id FOREIGN KEY(entry_id) REFERENCES lot_entries (id),
  CONSTRAINT fk_closings_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id),
  CONSTRAINT uq_closings_lot_id UNIQUE (lot_id)
);
CREATE TABLE notes (
  entry_id INTEGER NOT NULL, text TEXT NOT NULL,
  CONSTRAINT pk_notes PRIMARY KEY (entry_id),
  CONSTRAINT fk_notes_entry_id FOREIGN KEY(entry_id) REFERENCES lot_entries (id)
);
CREATE TABLE photos (
  entry_id INTEGER NOT NULL, lot_id INTEGER NOT NULL, purpose VARCHAR(16) NOT NULL, sha256 VARCHAR(64),
  original_sha256 VARCHAR(64), stored_name VARCHAR(80), original_name TEXT, taken_at VARCHAR(40),
  delta_e_2000 FLOAT, delta_e_2000_low FLOAT, delta_e_2000_high FLOAT, measurement TEXT NOT NULL,
  advice TEXT,
  CONSTRAINT pk_photos PRIMARY KEY (entry_id),
  CONSTRAINT fk_photos_entry_id FOREIGN KEY(entry_id) REFERENCES lot_entries (id),
  CONSTRAINT fk_photos_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id)
);
CREATE INDEX ix_photos_original_sha256 ON photos (original_sha256);
CREATE INDEX ix_photos_sha256 ON photos (sha256);
CREATE TABLE volumes (
  entry_id INTEGER NOT NULL, ml FLOAT NOT NULL, returned BOOLEAN NOT NULL, void BOOLEAN NOT NULL,
  CONSTRAINT pk_volumes PRIMARY KEY (entry_id),
  CONSTRAINT fk_volumes_entry_id FOREIGN KEY(entry_id) REFERENCES lot_entries (id)
);
"""


def build_first_book() -> None:
    """Make the tables of version 0001 on the connection of an Alembic context."""
    kind = op.get_bind().dialect.name
    head = HEAD.format(key="SERIAL" if kind == "postgresql" else "INTEGER")
    for statement in TABLES.format(head=head).split(";"):
        if statement.strip():
            op.execute(statement)
    names = re.findall(r'CREATE TABLE "?(\w+)', TABLES)
    for statement in guard_statements(kind, names):
        op.execute(statement)
