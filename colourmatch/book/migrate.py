"""Brings an older lot book to the present version with Alembic, slow to import; it knows no lots."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection

FOLDER = Path(__file__).with_name("migrations")


def upgrade(connection: Connection, version: str = "head") -> None:
    """Run the migrations up to a version in the transaction of a connection; nothing is changed when one fails."""
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, version)
