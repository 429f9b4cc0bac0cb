"""Puts entries of a lot right by new entries that name what they are about and why; it changes no row."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar, cast

from colourmatch.book import tables as t
from colourmatch.book.checks import (
    check_colourant,
    check_jurisdiction,
    check_lab,
    check_name,
    check_number,
    check_optional,
    check_serving,
    check_text,
    to_json,
    utc_text,
)
from colourmatch.book.entering import Entering, compute_dose, find_repeat, pick_amount, refuse_other_entry
from colourmatch.book.entries import (
    AdditionEntry,
    AmendmentEntry,
    AsideEntry,
    ClosingEntry,
    LotEntry,
    LotStory,
    MovedEntry,
    NoteEntry,
    PhotoEntry,
    StockEntry,
    VolumeEntry,
)
from colourmatch.book.naming import lock_names, refuse_taken
from colourmatch.book.rows import read_entry, read_events, read_stocks
from colourmatch.book.transactions import insert
from colourmatch.errors import InputError, NotFoundError
from colourmatch.words.times import tell_time

if TYPE_CHECKING:
    from sqlalchemy import Connection

E = TypeVar("E", bound=LotEntry)
AMENDABLE = (
    "volume_ml", "ceiling_mg_per_l", "depth_mm", "dilution", "tolerance", "already_mg_per_l", "jurisdiction",
    "target_lab", "reference_id", "notes", "serving", "stocks", "already_colourant", "name", "number",
)  # fmt: skip

_HEAD_CHECKS: dict[str, Callable[[object], Any]] = {
    "target_lab": check_lab,
    "jurisdiction": check_jurisdiction,
    "serving": check_serving,
    "already_colourant": check_colourant,
}


class Correcting(Entering):
    """Corrections of the entries of an open book."""

    def correct_addition(
        self,
        entry_id: int,
        *,
        reason: str,
        drops: float | None = None,
        ml: float | None = None,
        grams: float | None = None,
        stock: str | int | None = None,
        void: bool = False,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> AdditionEntry:
        """Put an addition right with a new entry, in a closed lot too; `void` True: it never happened.

        Drops and grams are computed with the stock as it was when the dose was entered, unless another stock
        is named; a stock without an amount: as much of that. InputError when it was corrected before: the latest entry is the one to correct.
        """
        same = stock is not None and drops is ml is grams is None
        typed = None if void or same else pick_amount(drops, ml, grams)

        def particulars(connection: Connection, old: LotEntry) -> dict[str, Any]:
            if not isinstance(old, AdditionEntry):
                raise InputError(
                    f"Entry {entry_id} is no addition but a {old.kind}. Look it up in the lot again."
                )
            known = self._as_recorded(connection, old) if stock is None else self._stock(connection, stock)
            if void:
                return compute_dose(known, "ml", 1.0) | {
                    "quantity": old.quantity, "unit": old.unit, "ml": old.ml, "mg": old.mg, "void": True,
                }  # fmt: skip
            values = compute_dose(known, *(typed or (old.unit, old.quantity)))
            self._refuse_flood(connection, old.lot_id, values["ml"])
            return values

        def asked(connection: Connection) -> dict[str, Any]:
            amount = dict(zip(("unit", "quantity"), typed or (), strict=False))
            other = {} if stock is None else {"stock_id": self._same_stock(connection, stock)}
            return {"void": void, **amount, **other}

        return self._correct(
            entry_id, AdditionEntry, particulars, reason, entered_by=entered_by, token=token, asked=asked
        )

    def correct_volume(
        self,
        entry_id: int,
        *,
        reason: str,
        ml: float | None = None,
        returned: bool = False,
        void: bool = False,
        entered_by: str | None = None,
        token: str | None = None,
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
        return self._correct(
            entry_id, VolumeEntry, particulars, reason,
            entered_by=entered_by, token=token, asked=lambda _c: wanted,
        )  # fmt: skip

    def set_aside(
        self,
        lot: int | str,
        photo: int | str,
        why: str,
        *,
        back: bool = False,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> AsideEntry:
        """Leave a photo of a lot, open or closed, out of all that is said of it; `back` True: it counts again.

        photo: its entry, or the name of its file. Nothing is deleted. NotFoundError when the lot has no such photo,
        InputError when it is set aside already, or is not.
        """
        reason = check_reason(why)

        def particulars(connection: Connection, lot_id: int) -> dict[str, Any]:
            found = _find_lot_photo(read_events(connection, [lot_id], heavy=False)[lot_id], photo, lot_id)
            if (found.aside is None) == back:
                said = "counts as it is" if back else f"is set aside already: {found.aside}"
                raise InputError(f"Photo {found.original_name or ''} (entry {found.id}) {said}. Leave it so.")
            return {"photo_entry_id": found.id, "back": back}

        def asked(connection: Connection, lot_id: int) -> dict[str, Any]:
            events = read_events(connection, [lot_id], heavy=False)[lot_id]
            return {"photo_entry_id": _find_lot_photo(events, photo, lot_id).id, "back": back}

        return self._enter(
            "set-aside", AsideEntry, lot, particulars,
            entered_by=entered_by, token=token, reason=reason, when_closed=True, asked=asked,
        )  # fmt: skip

    def move_entry(
        self,
        entry_id: int,
        at: datetime | str,
        reason: str,
        *,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> MovedEntry:
        """Put right when an addition, sample, untinted part, photo or note happened; it then counts at that time.

        at: a moment with its zone. InputError for a time to come, from before the lot was begun, on the other side of
        the closing, for an entry that was replaced or is void, or when the lot no longer adds up.
        """
        why, moment = check_reason(reason), utc_text(at)
        with self._read() as connection:
            home = find_entry(connection, entry_id).lot_id

        def particulars(connection: Connection, lot_id: int) -> dict[str, Any]:
            check_move(self._story(connection, lot_id), entry_id, moment)
            return asked(connection, lot_id)

        def asked(_connection: Connection, _lot_id: int) -> dict[str, Any]:
            return {"moved_entry_id": entry_id, "moved_to": moment}

        return self._enter(
            "moved", MovedEntry, home, particulars,
            entered_by=entered_by, token=token, reason=why, when_closed=True, prove=True, asked=asked,
        )  # fmt: skip

    def amend_lot(
        self,
        lot: int | str,
        reason: str,
        *,
        entered_by: str | None = None,
        token: str | None = None,
        **changes: Any,
    ) -> AmendmentEntry:
        """Put figures of a lot's head right (a volume mistyped, a ceiling lowered); see AMENDABLE for which.

        The new figure counts for the whole lot, as if it had been given at its beginning. A name and a number then
        find the lot, the old ones do so no more and are free; number None: the automatic one.
        """
        if not changes or (unknown := set(changes) - set(AMENDABLE)):
            raise ValueError(
                f"changes must be among {', '.join(AMENDABLE)}, got {sorted(changes) and unknown}"
            )
        why = check_reason(reason)
        if changes.get("reference_id") is not None:
            changes["reference_id"] = self.find_reference(changes["reference_id"]).id

        def particulars(connection: Connection, lot_id: int) -> dict[str, Any]:
            checked = {key: self._amended(connection, key, changes[key]) for key in changes}
            self._refuse_names(connection, lot_id, checked)
            return {"changes": to_json(checked)}

        def asked(connection: Connection, _lot_id: int) -> dict[str, Any]:
            return {
                "changes": to_json({key: self._amended(connection, key, changes[key]) for key in changes})
            }

        return self._enter(
            "amendment", AmendmentEntry, lot, particulars,
            entered_by=entered_by, token=token, reason=why, when_closed=True, prove=True, asked=asked,
        )  # fmt: skip

    def _refuse_names(self, connection: Connection, lot_id: int, checked: dict[str, Any]) -> None:
        """InputError for a new name or number that means another lot."""
        given = {what: checked[what] for what in ("name", "number") if checked.get(what) is not None}
        if given:
            lock_names(connection)
        for what, text in given.items():
            refuse_taken(connection, text, what, lot_id)

    def _amended(self, connection: Connection, key: str, value: Any) -> Any:
        if key == "stocks":
            found = [self._stock(connection, stock) for stock in value]
            if not found:
                raise InputError("A lot needs at least one stock. Name it with --stock.")
            return [stock.name for stock in found]
        if key in ("name", "number"):
            return None if key == "number" and value is None else check_name(value, f"{key} of the lot")
        if key == "notes":
            return check_text(value, key)
        if key in _HEAD_CHECKS:
            return _HEAD_CHECKS[key](value)
        if key == "reference_id":
            return value
        return check_optional(key, value) if key == "ceiling_mg_per_l" else check_number(key, value)

    def _correct(
        self,
        entry_id: int,
        expected: type[E],
        particulars: Callable[[Connection, LotEntry], dict[str, Any]],
        reason: str,
        *,
        entered_by: str | None,
        token: str | None,
        asked: Callable[[Connection], dict[str, Any]],
    ) -> E:
        why = check_reason(reason)

        def act(connection: Connection) -> E:
            old = find_entry(connection, entry_id)
            self._lot_id(connection, old.lot_id, lock=True)
            old = read_entry(connection, entry_id) or old  # as it is now that nobody else can write
            if (known := find_repeat(connection, token, old.lot_id, old.kind)) is not None:
                wanted = {**asked(connection), "replaces_id": entry_id, "reason": why}
                refuse_other_entry(connection, known, wanted)
                return cast(E, known)
            refuse_replaced(old)
            body = particulars(connection, old)
            new_id = insert(
                connection, t.lot_entries, lot_id=old.lot_id, kind=old.kind, replaces_id=entry_id, reason=why,
                entered_by=entered_by, token=token,
            )  # fmt: skip
            connection.execute(t.PARTS[old.kind].insert().values(entry_id=new_id, **body))
            entered: E = self._entered(connection, new_id, True)
            return entered

        return self._write(act)

    def _as_recorded(self, connection: Connection, old: AdditionEntry) -> StockEntry:
        return replace(
            read_stocks(connection, [old.stock_id])[0],
            label_strength_g_per_100ml=old.strength_g_per_100ml,
            drop_ml=old.drop_ml,
            label_strength_rel_sd=old.strength_rel_sd,
            drop_rel_sd=old.drop_rel_sd,
            density_g_per_ml=old.density_g_per_ml,
        )


def find_entry(connection: Connection, entry_id: int) -> LotEntry:
    """An entry of any lot; NotFoundError when there is none of that number."""
    if (found := read_entry(connection, entry_id)) is None:
        raise NotFoundError(f"There is no entry {entry_id}. Look it up with: colourmatch lot show LOT")
    return found


def refuse_replaced(entry: LotEntry) -> None:
    """InputError for an entry that was corrected before: the latest is the one to correct."""
    if entry.replaced_by_id is not None:
        raise InputError(
            f"Entry {entry.id} was corrected already. Correct entry {entry.replaced_by_id} instead."
        )


def check_move(story: LotStory, entry_id: int, moment: str) -> None:
    """InputError when an entry of a lot cannot have happened at a moment (UTC text)."""
    entry = next(known for known in story.events if known.id == entry_id)
    refuse_replaced(entry)
    _refuse_fixed(story, entry)
    if moment > utc_text():
        raise InputError(f"{tell_time(moment)} is still to come. Give the time at which it happened.")
    if moment < story.lot.created_at:
        raise InputError(
            f"Lot {story.lot.id} was begun on {tell_time(story.lot.created_at)}, after {tell_time(moment)}. "
            "Give a later time."
        )
    _refuse_across(story.closing, entry, moment)


def _refuse_fixed(story: LotStory, entry: LotEntry) -> None:
    """InputError for an entry whose time is not its own."""
    if not isinstance(entry, (AdditionEntry, VolumeEntry, PhotoEntry, NoteEntry)):
        raise InputError(
            f"Entry {entry.id} is of the kind {entry.kind}, which stands where it was entered. Give the number of an "
            "addition, a sample, a photo or a note."
        )
    if getattr(entry, "void", False):
        raise InputError(f"Entry {entry.id} says that it never happened. Leave its time as it is.")
    by_id = {known.id: known for known in story.events}
    first: LotEntry = entry
    while first.replaces_id is not None:
        first = by_id[first.replaces_id]
    if first.reason or getattr(entry, "trial_lot_id", None) is not None:
        raise InputError(
            f"Entry {entry.id} belongs to a trial that was taken or poured back, as one act with other entries. "
            "Leave its time as it is."
        )


def _refuse_across(closing: ClosingEntry | None, entry: LotEntry, moment: str) -> None:
    """InputError when a move would carry an entry over the closing of its lot; a note may go anywhere."""
    if closing is None or isinstance(entry, NoteEntry):
        return
    said = f"The lot was closed on {tell_time(closing.created_at)}"
    if isinstance(entry, PhotoEntry) and entry.purpose == "recheck":
        if moment < closing.created_at:
            raise InputError(f"{said}, and a recheck comes after that. Give a later time.")
    elif moment > closing.created_at:
        raise InputError(f"{said}, and this belongs before that. Give an earlier time.")


def _find_lot_photo(events: list[LotEntry], photo: int | str, lot_id: int) -> PhotoEntry:
    photos = [entry for entry in events if isinstance(entry, PhotoEntry)]
    typed = str(photo).strip()
    found = [p for p in photos if str(p.id) == typed] or [p for p in photos if p.original_name == typed]
    if len(found) == 1:
        return found[0]
    listed = ", ".join(f"{p.id} ({p.original_name or 'no name'})" for p in found or photos) or "none yet"
    if found:
        raise InputError(f"Lot {lot_id} has {len(found)} photos {typed}. Give the entry of one: {listed}.")
    raise NotFoundError(f"Lot {lot_id} has no photo {typed}. Give one of its photos by entry: {listed}.")


def check_reason(reason: str) -> str:
    """Why something is put right; InputError when nothing is said."""
    why = check_text(reason, "reason").strip()
    if not why:
        raise InputError("A correction needs its reason. Say in a few words what was wrong.")
    return why
