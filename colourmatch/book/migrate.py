"""Brings an older lot book to the present version with Alembic, slow to import; it knows no lots."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Engine

from colourmatch.book.opening import LOCK_BUILDING, write

FOLDER = Path(__file__).with_name("migrations")


def knows(version: str) -> bool:
    """Whether there is a migration of that name."""
    return any(path.name.startswith(f"{version}_") for path in (FOLDER / "versions").glob("*.py"))


def upgrade(engine: Engine, version: str = "head") -> None:
    """Run the migrations up to a version, each in the transaction; nothing is changed when one fails."""
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    with write(engine) as connection:
        if engine.dialect.name == "postgresql":
            # Another station may start at the same time; whoever comes second then finds nothing to do.
            connection.exec_driver_sql(LOCK_BUILDING)
        config.attributes["connection"] = connection
        command.upgrade(config, version)
