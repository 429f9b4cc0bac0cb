"""The shelf of the lot book: stocks with what was weighed and learnt, references. It knows no batch."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from colourmatch.book import tables as t
from colourmatch.book.checks import (
    check_lab,
    check_name,
    check_number,
    check_text,
    name_key,
    to_json,
    utc_text,
)
from colourmatch.book.entries import Reference, ReferenceReading, StockChange, StockEntry
from colourmatch.book.photo_store import KeptPhoto, hash_photo
from colourmatch.book.rows import read_reference_readings, read_references, read_stock_changes, read_stocks
from colourmatch.book.transactions import BookBase, find_token, insert, near_names, refuse_other
from colourmatch.errors import ClosedError, InputError, NotFoundError
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.stock import Stock, check_stock, dilute, weigh_drops
from colourmatch.measurement import Measurement
from colourmatch.records import plain

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from colourmatch.liquid.stock import Stock

ADD_STOCK = "colourmatch stock add NAME --colourant E129 --strength-g-per-100ml 1.0"


class Shelf(BookBase):
    """Stocks and references of an open book."""

    def add_stock(
        self,
        name: str,
        colourant: str,
        strength_g_per_100ml: float,
        *,
        drop_ml: float = 0.05,
        made_in: str = "water",
        strength_rel_sd: float = 0.20,
        drop_rel_sd: float = 0.15,
        density_g_per_ml: float = 1.0,
        notes: str = "",
        diluted_from: str | int | None = None,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> StockEntry:
        """Put a stock on the shelf; InputError for an impossible figure or a name that is taken.

        `colourant` is an E number, a name, or the code of an unknown bottle (`custom_colourant`).
        """
        values: dict[str, Any] = {
            "name": check_name(name, "name of the stock"),
            "colourant": find_colourant(colourant).e_number,
            "strength_g_per_100ml": strength_g_per_100ml,
            "drop_ml": drop_ml,
            "made_in": made_in,
            "strength_rel_sd": strength_rel_sd,
            "drop_rel_sd": drop_rel_sd,
            "density_g_per_ml": density_g_per_ml,
        }
        check_stock(Stock(**values))
        values = {key: value if isinstance(value, str) else float(value) for key, value in values.items()}
        notes = check_text(notes, "notes")

        def act(connection: Connection) -> int:
            parent = None if diluted_from is None else self._stock(connection, diluted_from).id
            if (known := find_token(connection, t.stocks, token)) is not None:
                refuse_other(known, {**values, "notes": notes, "diluted_from_id": parent})
                return int(known["id"])
            self._lock_shelf(connection)
            if any(stock.active for stock in self._named(connection, values["name"])):
                raise InputError(
                    f"A stock called {values['name']!r} is on the shelf already. Take another name, or "
                    "put the old one away first."
                )
            return insert(
                connection, t.stocks, **values, name_key=name_key(values["name"]), notes=notes,
                diluted_from_id=parent, entered_by=entered_by, token=token,
            )  # fmt: skip

        return self.find_stock(self._write(act))

    def add_dilution(
        self,
        stock: str | int,
        fold: float,
        name: str | None = None,
        *,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> StockEntry:
        """Put a stock thinned from another on the shelf: 1 part made up to `fold` parts.

        What the photos taught of the bottle holds for what is thinned from it. InputError as in `add_stock`.
        """
        parent = self.find_stock(stock)
        thin = dilute(parent.as_stock(learnt=False), fold, (name or "").strip() or None)
        made = self.add_stock(
            thin.name, thin.colourant, thin.strength_g_per_100ml, drop_ml=thin.drop_ml, made_in=thin.made_in,
            strength_rel_sd=thin.strength_rel_sd, drop_rel_sd=thin.drop_rel_sd,
            density_g_per_ml=thin.density_g_per_ml, diluted_from=parent.id,
            entered_by=entered_by, token=token,
        )  # fmt: skip
        learnt, label = (parent.strength_factor, parent.strength_rel_sd), (1.0, parent.label_strength_rel_sd)
        if learnt == label or made.learnt_from_lot_id is not None or made.strength_factor != 1:
            return made
        once = token and f"{token}-learnt"
        return self.record_learnt(made.id, *learnt, parent.learnt_from_lot_id, token=once)

    def list_stocks(self, *, active_only: bool = True) -> list[StockEntry]:
        """The stocks on the shelf, by name; with `active_only` False those put away as well."""
        with self._read() as connection:
            stocks = read_stocks(connection)
        chosen = [stock for stock in stocks if stock.active or not active_only]
        return sorted(chosen, key=lambda stock: (name_key(stock.name), stock.id))

    def find_stock(self, stock: str | int) -> StockEntry:
        """A stock by its name (the one in use) or its id; NotFoundError names the near ones.

        ClosedError when the only one of that name is put away; its id still finds it.
        """
        with self._read() as connection:
            return self._stock(connection, stock)

    def stock_now(self, stock: str | int, *, learnt: bool = True) -> Stock:
        """The stock to compute with: latest drop, strength as learnt (`learnt` False: of the label)."""
        return self.find_stock(stock).as_stock(learnt=learnt)

    def stock_history(self, stock: str | int) -> list[StockChange]:
        """What was entered about a stock since it was made."""
        found = self.find_stock(stock)
        with self._read() as connection:
            return read_stock_changes(connection, found.id)

    def weigh_stock(
        self,
        stock: str | int,
        drops: int,
        grams: float,
        *,
        density_g_per_ml: float | None = None,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> StockEntry:
        """Drop volume from weighed drops, for the additions entered from now on; earlier ones keep theirs."""
        found = self.find_stock(stock)
        weighed = weigh_drops(found.as_stock(), drops, grams, density_g_per_ml)
        return self._change(
            found, "weighed", token, entered_by, drops=float(drops), grams=float(grams),
            drop_ml=weighed.drop_ml, drop_rel_sd=weighed.rel_sd,
        )  # fmt: skip

    def record_learnt(
        self,
        stock: str | int,
        factor: float,
        rel_sd: float,
        lot: int | None = None,
        *,
        token: str | None = None,
    ) -> StockEntry:
        """What the photos of a lot taught: true strength as a factor of the label's, and its relative sd.

        `lot` is the id of an existing lot.
        """
        return self._change(
            self.find_stock(stock), "learnt", token, None,
            strength_factor=check_number("strength_factor", factor),
            strength_rel_sd=check_number("rel_sd", rel_sd), lot_id=lot,
        )  # fmt: skip

    def reset_learnt(
        self, stock: str | int, reason: str = "", *, entered_by: str | None = None
    ) -> StockEntry:
        """Forget what was learnt of a stock (it was made again): the strength of its label counts again."""
        return self._change(self.find_stock(stock), "reset", None, entered_by, text=check_text(reason))

    def put_away(self, stock: str | int, reason: str = "", *, entered_by: str | None = None) -> StockEntry:
        """Take a stock out of use (empty, spoilt); its history stays and its name is free again."""
        return self._change(self.find_stock(stock), "put-away", None, entered_by, text=check_text(reason))

    def _change(
        self, stock: StockEntry, kind: str, token: str | None, entered_by: str | None, **values: Any
    ) -> StockEntry:
        if not stock.active:
            raise ClosedError(f"The stock {stock.name!r} is put away. Add a new one with: {ADD_STOCK}")

        def act(connection: Connection) -> None:
            text = values.get("text", "")
            rest = {key: value for key, value in values.items() if key != "text"}
            if (known := find_token(connection, t.stock_entries, token)) is not None:
                refuse_other(known, {"stock_id": stock.id, "kind": kind, "text": text, **rest})
            else:
                insert(
                    connection, t.stock_entries, stock_id=stock.id, kind=kind, text=text, token=token,
                    entered_by=entered_by, **rest,
                )  # fmt: skip

        self._write(act)
        return self.find_stock(stock.id)

    def _lock_shelf(self, connection: Connection) -> None:
        """Only one at a time may look whether a name is free; SQLite's writer is alone anyway."""
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql("LOCK TABLE stocks IN SHARE ROW EXCLUSIVE MODE")

    def _named(self, connection: Connection, name: str) -> list[StockEntry]:
        named = select(t.stocks.c.id).where(t.stocks.c.name_key == name_key(name))
        renamed = select(t.stock_entries.c.stock_id).where(t.stock_entries.c.name.is_not(None))
        found = read_stocks(connection, connection.scalars(named.union(renamed)).all())
        return [stock for stock in found if name_key(stock.name) == name_key(name)]

    def _stock(self, connection: Connection, stock: str | int) -> StockEntry:

        if isinstance(stock, bool) or not isinstance(stock, (str, int)):
            raise TypeError(f"a stock is given by name or id, got {stock!r}")
        if isinstance(stock, str):
            named = self._named(connection, stock)
            for found in named:
                if found.active:
                    return found
            if named:
                raise ClosedError(f"The stock {stock!r} is put away. Add a new one with: {ADD_STOCK}")
        if str(stock).isdecimal() and (found_ids := read_stocks(connection, [min(int(stock), 2**31 - 1)])):
            return found_ids[0]
        near = near_names(str(stock), [known.name for known in read_stocks(connection)])
        raise NotFoundError(f"There is no stock {stock!r}.{near} Add one with: {ADD_STOCK}")

    def add_reference(
        self, name: str, notes: str = "", *, entered_by: str | None = None, token: str | None = None
    ) -> Reference:
        """Note a reference that lots are tinted to; its readings are added later."""
        name, notes = check_name(name, "name of the reference"), check_text(notes, "notes")

        def act(connection: Connection) -> int:
            if (known := find_token(connection, t.references, token)) is not None:
                refuse_other(known, {"name": name, "notes": notes})
                return int(known["id"])
            return insert(
                connection, t.references, name=name, name_key=name_key(name), notes=notes,
                entered_by=entered_by, token=token,
            )  # fmt: skip

        return self.find_reference(self._write(act))

    def add_reference_reading(
        self,
        reference: str | int,
        lab: tuple[float, float, float],
        *,
        depth_mm: float,
        dilution: float = 1.0,
        lab_sd: tuple[float, float, float] | None = None,
        photo_sha256: str | None = None,
        measurement: Measurement | Mapping[str, Any] | None = None,
        photo: bytes | Path | str | KeptPhoto | None = None,
        taken_at: datetime | str | None = None,
        original_name: str | None = None,
        entered_by: str | None = None,
        token: str | None = None,
    ) -> ReferenceReading:
        """Add a reading of a reference: Lab (D65, 2 degrees) at this depth and dilution.

        A `photo` goes to the photo store first, unless it was kept there already; `photo_sha256` is for one
        that is not kept. PhotoError when the file is none that can be kept.
        """
        found = self.find_reference(reference)
        colour = check_lab(lab)
        if colour is None:
            raise ValueError("lab is needed, got None")
        spread = [None] * 3 if lab_sd is None else [float(part) for part in lab_sd]
        values: dict[str, Any] = dict(zip(("lab_l", "lab_a", "lab_b"), colour, strict=True))
        values |= dict(zip(("lab_l_sd", "lab_a_sd", "lab_b_sd"), spread, strict=True))
        values |= {"depth_mm": check_number("depth_mm", depth_mm)}
        values |= {"dilution": check_number("dilution", dilution)}
        values |= {"taken_at": None if taken_at is None else utc_text(taken_at)}
        if original_name is None and isinstance(photo, (str, Path)):
            original_name = Path(photo).name
        if original_name is not None:
            values |= {"original_name": check_text(original_name, "file name")[:255]}
        if photo is not None:
            kept = photo if isinstance(photo, KeptPhoto) else self.photo_store.keep(photo)
            photo_sha256 = kept.sha256
            values |= {"original_sha256": kept.original_sha256, "stored_name": kept.name}

        def act(connection: Connection) -> int:
            if (known := find_token(connection, t.reference_readings, token)) is not None:
                # what was read from the same file again may differ in a digit
                by = ("original_sha256",) if photo is not None else ("lab_l", "lab_a", "lab_b")
                refuse_other(known, {"reference_id": found.id, **{key: values[key] for key in by}})
                return int(known["id"])
            return insert(
                connection, t.reference_readings, reference_id=found.id, photo_sha256=photo_sha256,
                measurement=to_json(plain(measurement)), entered_by=entered_by, token=token, **values,
            )  # fmt: skip

        entry_id = self._write(act)
        return next(reading for reading in self.reference_readings(found.id) if reading.id == entry_id)

    def reference_with(self, token: str) -> Reference | None:
        """The reference that was noted with a token, None when there is none."""
        with self._read() as connection:
            known = find_token(connection, t.references, token)
        return None if known is None else self.find_reference(int(known["id"]))

    def list_references(self) -> list[Reference]:
        """All references by name."""
        with self._read() as connection:
            return read_references(connection)

    def find_reference(self, reference: str | int) -> Reference:
        """A reference by its id or its name (the newest of that name); NotFoundError names the near ones."""
        query = select(t.references).order_by(t.references.c.id.desc()).limit(1)
        with self._read() as connection:
            if isinstance(reference, str):
                named = t.references.c.name_key == name_key(reference)
                if found := read_references(connection, query.where(named)):
                    return found[0]
            if str(reference).isdecimal():
                by_id = t.references.c.id == min(int(reference), 2**31 - 1)
                if found := read_references(connection, query.where(by_id)):
                    return found[0]
            near = near_names(str(reference), connection.scalars(select(t.references.c.name)))
        raise NotFoundError(
            f"There is no reference {reference!r}.{near} Note it with: colourmatch reference add NAME PHOTO"
        )

    def reference_readings(self, reference: str | int) -> list[ReferenceReading]:
        """Readings of a reference in the order in which they were entered."""
        found = self.find_reference(reference)
        with self._read() as connection:
            return read_reference_readings(connection, found.id)

    def find_reference_photo(
        self, photo: bytes | Path | str, reference: str | int
    ) -> ReferenceReading | None:
        """The first reading of a reference from this very photo, None when it is new: a resubmitted photo."""
        sha256 = hash_photo(photo)
        readings = self.reference_readings(reference)
        return next((one for one in readings if sha256 in (one.original_sha256, one.photo_sha256)), None)
