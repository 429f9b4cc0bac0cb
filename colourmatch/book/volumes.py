"""Batch that was taken from a lot or blended into it without colour: entered, and put right."""

from __future__ import annotations

from typing import Any, Unpack

from sqlalchemy import Connection

from colourmatch.book.checks import check_number
from colourmatch.book.entering import correct, enter
from colourmatch.book.entries import LotEntry, VolumeEntry
from colourmatch.book.transactions import By, Part
from colourmatch.errors import InputError


class Volumes(Part):
    """Samples and untinted parts of the lots of an open book."""

    def take_sample(
        self, lot: int | str, ml: float, *, returned: bool = False, **by: Unpack[By]
    ) -> VolumeEntry:
        """Write down a sample taken from the batch; `returned` True: it went back whole, nothing changes."""
        values = {"ml": check_number("ml", ml), "returned": bool(returned), "void": False}
        return enter(self._database, "sample", VolumeEntry, lot, values, **by, prove=True)

    def add_untinted(self, lot: int | str, ml: float, **by: Unpack[By]) -> VolumeEntry:
        """Write down untinted batch that was blended back, the way out when the colour is past the match."""
        values = {"ml": check_number("ml", ml), "returned": False, "void": False}
        return enter(self._database, "untinted", VolumeEntry, lot, values, **by)

    def correct(
        self,
        entry_id: int,
        *,
        reason: str,
        ml: float | None = None,
        returned: bool = False,
        void: bool = False,
        **by: Unpack[By],
    ) -> VolumeEntry:
        """Put a sample or an untinted part right with a new entry; `void` True: it never happened."""
        if ml is None and not void:
            raise ValueError("one of ml and void is needed")
        typed = None if ml is None else check_number("ml", ml)

        def particulars(_connection: Connection, old: LotEntry) -> dict[str, Any]:
            if not isinstance(old, VolumeEntry):
                raise InputError(
                    f"Entry {entry_id} is no sample but a {old.kind}. Look it up in the lot again."
                )
            return {
                "ml": typed or old.ml,
                "returned": bool(returned),
                "void": bool(void),
                "trial_lot_id": old.trial_lot_id,
            }

        wanted = {"returned": bool(returned), "void": bool(void)} | ({} if typed is None else {"ml": typed})
        return correct(
            self._database, entry_id, VolumeEntry, particulars, reason,
            **by, asked=lambda _c: wanted,
        )  # fmt: skip
