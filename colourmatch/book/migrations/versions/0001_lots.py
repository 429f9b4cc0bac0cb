"""Stocks, references, lots and what happens to them."""

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Nothing is left to do: a book had these tables from its start, a new one is built whole (tables.py)."""
