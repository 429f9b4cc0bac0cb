"""Opens closed lots again and puts stocks right, with what follows from either for doses and for what was learnt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from colourmatch.book import tables as t
from colourmatch.book.carried import find_poured_back
from colourmatch.book.checks import check_name, check_text, name_key
from colourmatch.book.correcting import Correcting, check_reason
from colourmatch.book.entries import AdditionEntry, ReopeningEntry, StockEntry
from colourmatch.book.rows import is_open, read_stock_changes
from colourmatch.book.transactions import find_token, insert, refuse_other
from colourmatch.errors import InputError
from colourmatch.liquid.stock import check_stock

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from colourmatch.book.entries import LotStory

_THINNED = "thinned from "


@dataclass(frozen=True)
class StockCorrection:
    """A stock put right, the entries of open lots that count otherwise now (lot, new entry), and what was thinned from it."""

    stock: StockEntry
    entries: tuple[tuple[int, int], ...] = ()
    thinned: tuple[str, ...] = ()


class Mending(Correcting):
    """Closings that are undone and stocks that are put right, in an open book."""

    def reopen_lot(
        self, lot: int | str, reason: str, *, entered_by: str | None = None, token: str | None = None
    ) -> ReopeningEntry:
        """Open a closed lot again; its closing stays in the story.

        What that closing taught of the stocks is taken back, so that the lot's photos count once when it is closed
        again; what later lots learnt stays, though they began from it. Doses by a label that was put right since are
        put right too. InputError for an open lot, and for a trial that was poured back.
        """
        why = check_reason(reason)

        def particulars(connection: Connection, lot_id: int) -> dict[str, Any]:
            story = self._story(connection, lot_id)
            if story.closing is None:
                raise InputError(f"Lot {lot_id} is open. Leave it so, or name the lot that was closed.")
            self._refuse_poured_back(connection, story)
            return {"closing_entry_id": story.closing.id}

        def then(connection: Connection, lot_id: int) -> None:
            self._unlearn(connection, lot_id, why, entered_by)
            for stock in self._story(connection, lot_id).stock_entries:
                told = f"the label of {stock.name} was put right while the lot was closed"
                list(self._relabel(connection, lot_id, stock, told, entered_by))

        return self._enter(
            "reopening", ReopeningEntry, lot, particulars,
            entered_by=entered_by, token=token, reason=why, when_closed=True, prove=True, then=then,
        )  # fmt: skip

    def _refuse_poured_back(self, connection: Connection, story: LotStory) -> None:
        parent = story.lot.trial_of
        if parent is not None and find_poured_back(self._story(connection, parent), story.lot.id) is not None:
            raise InputError(
                f"Lot {story.lot.id} is a trial that was poured back into lot {parent}. Take another trial of that lot."
            )

    def _unlearn(self, connection: Connection, lot_id: int, why: str, entered_by: str | None) -> None:
        """Take back what a lot taught of its stocks, and of what was thinned from them."""
        changes = t.stock_entries
        learnt = select(changes.c.stock_id).where(changes.c.kind == "learnt", changes.c.lot_id == lot_id)
        for stock_id in sorted(set(connection.scalars(learnt))):
            insert(
                connection, changes, stock_id=stock_id, kind="unlearnt", lot_id=lot_id, text=why,
                entered_by=entered_by,
            )  # fmt: skip

    def correct_stock(
        self,
        stock: str | int,
        reason: str,
        *,
        strength_g_per_100ml: float | None = None,
        name: str | None = None,
        notes: str | None = None,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> StockCorrection:
        """Put the label strength, the name or the remark of a stock right.

        A label strength that was misread was wrong from the beginning: doses of open lots are corrected to it, each by
        an entry that says so, and stocks thinned from this one with it. Closed lots keep what their records and papers
        say until they are opened again. What photos taught is a true strength and stays. The old name is free again.
        """
        why = check_reason(reason)
        given = {"label_g_per_100ml": strength_g_per_100ml, "name": name, "notes": notes}
        given = {key: value for key, value in given.items() if value is not None}
        if not given:
            raise InputError("Say what to put right: --strength-g-per-100ml, --name or --note.")

        def act(connection: Connection) -> StockCorrection:
            self._lock_shelf(connection)
            if (known := find_token(connection, t.stock_entries, token)) is not None:
                same = {"stock_id": self._same_stock(connection, stock), "kind": "corrected", "text": why}
                refuse_other(known, {**same, **{k: v for k, v in given.items() if known[k] is not None}})
                return StockCorrection(self._stock(connection, int(known["stock_id"])))
            old = self._stock(connection, stock)
            changes = self._check_stock_changes(connection, old, given)
            return self._put_stock_right(connection, old, changes, why, (entered_by, token))

        return self._write(act)

    def _check_stock_changes(
        self, connection: Connection, old: StockEntry, given: dict[str, Any]
    ) -> dict[str, Any]:
        """The changes as they are kept; InputError for what is not possible, is taken, or is so already."""
        changes = dict(given)
        if "name" in changes:
            changes["name"] = check_name(changes["name"], "name of the stock")
        if "notes" in changes:
            changes["notes"] = check_text(changes["notes"], "notes")
        label = changes.get("label_g_per_100ml", old.label_strength_g_per_100ml)
        named = changes.get("name", old.name)
        check_stock(replace(old.as_stock(learnt=False), name=named, strength_g_per_100ml=label))
        if "label_g_per_100ml" in changes:
            changes["label_g_per_100ml"] = float(label)
        others = (known for known in self._named(connection, named) if known.id != old.id)
        if name_key(named) != name_key(old.name) and any(known.active for known in others):
            raise InputError(f"A stock called {named!r} is on the shelf already. Take another name.")
        now = {"label_g_per_100ml": old.label_strength_g_per_100ml, "name": old.name, "notes": old.notes}
        if all(now[key] == value for key, value in changes.items()):
            raise InputError(f"The stock {old.name!r} is so already. Say what was wrong.")
        return {key: value for key, value in changes.items() if now[key] != value}

    def _put_stock_right(
        self,
        connection: Connection,
        old: StockEntry,
        changes: dict[str, Any],
        why: str,
        who: tuple[str | None, str | None],
    ) -> StockCorrection:
        insert(
            connection, t.stock_entries, stock_id=old.id, kind="corrected", text=why, entered_by=who[0],
            token=who[1], **changes,
        )  # fmt: skip
        new = self._stock(connection, old.id)
        if "label_g_per_100ml" not in changes:
            return StockCorrection(new)
        thinned = self._relabel_thinned(connection, old, new, why, who[0])
        entries: list[tuple[int, int]] = []
        for stock in (new, *thinned):
            told = f"the label of {stock.name} was put right: {why}"
            for lot_id in self._open_lots_with(connection, stock.id):
                entries += self._relabel(connection, lot_id, stock, told, who[0])
        return StockCorrection(new, tuple(entries), tuple(stock.name for stock in thinned))

    def _relabel_thinned(
        self, connection: Connection, old: StockEntry, new: StockEntry, why: str, entered_by: str | None
    ) -> list[StockEntry]:
        """Bring what was thinned from a stock to its new label; a label that was put right by itself is left."""
        made: list[StockEntry] = []
        children = select(t.stocks.c.id).where(t.stocks.c.diluted_from_id == old.id).order_by(t.stocks.c.id)
        for child_id in connection.scalars(children).all():
            if any(
                change.label_g_per_100ml is not None and not change.text.startswith(_THINNED)
                for change in read_stock_changes(connection, child_id)
            ):
                continue
            child = self._stock(connection, child_id)
            ratio = new.label_strength_g_per_100ml / old.label_strength_g_per_100ml
            insert(
                connection, t.stock_entries, stock_id=child_id, kind="corrected", entered_by=entered_by,
                text=f"{_THINNED}{new.name}: {why}", label_g_per_100ml=child.label_strength_g_per_100ml * ratio,
            )  # fmt: skip
            now = self._stock(connection, child_id)
            made += [now, *self._relabel_thinned(connection, child, now, why, entered_by)]
        return made

    def _open_lots_with(self, connection: Connection, stock_id: int) -> list[int]:
        used = select(t.lot_entries.c.lot_id).join(t.additions, t.additions.c.entry_id == t.lot_entries.c.id)
        query = select(t.lots.c.id).where(t.lots.c.id.in_(used.where(t.additions.c.stock_id == stock_id)))
        found = connection.scalars(query.where(is_open()).order_by(t.lots.c.id)).all()
        locked = [self._lot_id(connection, lot_id, lock=True) for lot_id in found]
        return [lot_id for lot_id in locked if not self._story(connection, lot_id).lot.closed]

    def _relabel(
        self, connection: Connection, lot_id: int, stock: StockEntry, told: str, entered_by: str | None
    ) -> Iterator[tuple[int, int]]:
        """Correct the doses of a lot that were entered by another label of a stock; the lot and each new entry."""
        label = stock.label_strength_g_per_100ml
        for entry in self._story(connection, lot_id).additions:
            if entry.stock_id != stock.id or entry.strength_g_per_100ml == label:
                continue
            new_id = insert(
                connection, t.lot_entries, lot_id=lot_id, kind="addition", replaces_id=entry.id, reason=told,
                entered_by=entered_by,
            )  # fmt: skip
            connection.execute(t.additions.insert().values(entry_id=new_id, **_by_label(entry, label)))
            yield lot_id, new_id


def _by_label(entry: AdditionEntry, label_g_per_100ml: float) -> dict[str, Any]:
    """The row of a dose by another label: as much of the stock, with the colour that this label says."""
    kept = (
        "stock_id",
        "quantity",
        "unit",
        "ml",
        "void",
        "drop_ml",
        "strength_rel_sd",
        "drop_rel_sd",
        "density_g_per_ml",
    )
    return {key: getattr(entry, key) for key in kept} | {
        "mg": entry.mg * label_g_per_100ml / entry.strength_g_per_100ml,
        "strength_g_per_100ml": label_g_per_100ml,
    }
