"""The bottles as they stand today: their colour, what is left, which are old or nearly empty, which lots hold whose batch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo

from colourmatch.advice import Caution
from colourmatch.book.entries import LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import StockEntry
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.liquid.stock import DOSE_DROPS
from colourmatch.records import Record, decimals, kept, pick
from colourmatch.words.figures import tell_ml
from colourmatch.words.times import tell_date

#: A bottle is warned of so many days before its last (common practice, no source).
SOON = timedelta(days=14)
#: How a stock is shown: so many drops in a litre of water, looked at so deep over white.
SEEN_DROPS, SEEN_DEPTH_MM = 40, 10.0


def see_in_water(stock: StockEntry) -> list[float] | None:
    """The Lab of SEEN_DROPS of a stock in a litre of water, SEEN_DEPTH_MM deep, as strong as photos showed it.

    None for a bottle of unknown colour that no photo taught yet: what it looks like is a guess until then.
    """
    if ":" in stock.colourant and not stock.learnt:
        return None
    mg_per_l = SEEN_DROPS * stock.as_stock().mg_per_drop
    absorbance = mg_per_l * SEEN_DEPTH_MM / 10 * find_colourant(stock.colourant).absorptivity()
    return [float(part) for part in absorbance_to_lab(absorbance)]


@dataclass(frozen=True)
class BottleNow:
    """What is left in a bottle, None where nobody said what was in it, and what is to be said of it."""

    left_ml: float | None
    warnings: tuple[Caution, ...]


def describe_bottles(book: LotBook, stocks: Sequence[StockEntry], on: date | None = None) -> dict[int, BottleNow]:
    """The bottles by their id; `on` a day, today when None."""
    left = book.stocks.left_ml(stocks)
    return {
        stock.id: BottleNow(
            None if left[stock.id] is None else round(left[stock.id] or 0.0, 3),
            warn_of_bottle(stock, left[stock.id], on or date.today()) if stock.active else (),
        )
        for stock in stocks
    }


def warn_of_bottle(stock: StockEntry, left_ml: float | None, on: date) -> tuple[Caution, ...]:
    """What is to be said of a bottle on a day: past its last day or near it, nearly empty (less than a whole dose)."""
    found = []
    if stock.use_by:
        last = date.fromisoformat(stock.use_by)
        if on > last:
            found.append(Caution("bottle-old", f"{stock.name} was to be used by {last}. Make it again."))
        elif on + SOON > last:
            found.append(Caution("bottle-old-soon", f"{stock.name} is to be used by {last}."))
    if left_ml is not None and left_ml < DOSE_DROPS[1] * stock.drop_ml:
        left = f"{stock.name} is nearly empty: {tell_ml(left_ml)} left by the entries. Make it again in time."
        found.append(Caution("bottle-empty", left))
    return tuple(found)


def warn_of_stocks(book: LotBook, names: Sequence[str]) -> list[Caution]:
    """The warnings of the bottles that a lot is tinted with, those on the shelf."""
    stocks = [stock for stock in book.stocks.all() if stock.name in set(names)]
    told = describe_bottles(book, stocks)
    return [warning for stock in stocks for warning in told[stock.id].warnings]


class BottleUsed(Record):
    """A bottle that is in a lot, with whose batch it is and how much of it went in by the label."""

    stock: str = kept()
    supplier: str | None = kept()
    supplier_batch: str | None = kept()
    id: int = kept()
    made_on: str | None = kept()
    use_by: str | None = kept()
    ml: float = kept()
    mg: float = kept()


def list_bottles(book: LotBook, story: LotStory) -> list[BottleUsed]:
    """The bottles that are in a lot: what a recall asks for."""
    used = [entry for entry in story.stock_entries if any(a.stock_id == entry.id for a in story.additions)]
    parents = {stock.id: stock for stock in book.stocks.all(active_only=False)} if used else {}
    found = []
    for entry in used:
        source = entry
        while source.supplier_batch is None and source.diluted_from_id in parents:
            source = parents[source.diluted_from_id]
        doses = [a for a in story.additions if a.stock_id == entry.id]
        told = pick(source, "supplier", "supplier_batch") | pick(entry, "id", "made_on", "use_by")
        ml, mg = (round(sum(getattr(dose, unit) for dose in doses), 3) for unit in ("ml", "mg"))
        found.append(BottleUsed(stock=entry.name, **told, ml=ml, mg=mg))
    return found


class TracedStock(Record):
    """A bottle that a batch came in, or that was thinned from one, and what is left in it."""

    stock: str = kept()
    id: int = kept()
    supplier: str | None = kept()
    supplier_batch: str | None = kept()
    active: bool = kept()
    diluted_from: int | None = kept()
    left_ml: float | None = kept()

    @property
    def text(self) -> str:
        """The bottle in words."""
        from_whom = f" of {self.supplier}" if self.supplier else ""
        thinned = f", thinned from stock {self.diluted_from}" if self.diluted_from else ""
        left = "" if self.left_ml is None else f", {tell_ml(self.left_ml)} left"
        where = "on the shelf" if self.active else "put away"
        return f"stock {self.id} {self.stock}{from_whom}{thinned}: {where}{left}"


class TracedLot(Record):
    """What a lot got of one bottle, `stock`, and when."""

    lot: int = kept()
    number: str = kept()
    name: str = kept()
    closed: bool = kept()
    stock: str = kept()
    stock_id: int = kept()
    first_at: str = kept()
    last_at: str = kept()
    ml: float = kept(write=decimals(3))
    mg: float = kept(write=decimals(3))

    def tell(self, zone: tzinfo | None = None) -> str:
        """The lot in words, its day that of `zone`, else of this machine."""
        amount = f"{tell_ml(round(self.ml, 3))} of {self.stock} (stock {self.stock_id})"
        state = "closed" if self.closed else "open"
        return f"lot {self.number} {self.name} ({state}): {amount}, {tell_date(self.first_at, zone)}"


class Trace(Record):
    """Where a supplier's batch is: the bottles it came in, and what each lot got of them."""

    batch: str = kept()
    stocks: Sequence[TracedStock] = kept()
    lots: Sequence[TracedLot] = kept()

    @property
    def held(self) -> str:
        """How many lots hold it."""
        count = len({lot.lot for lot in self.lots})
        return "1 lot holds it." if count == 1 else f"{count} lots hold it."


def trace_batch(book: LotBook, batch: str) -> Trace:
    """Which lots hold a supplier's batch."""
    found, traced = book.stocks.trace(batch)
    left, names = describe_bottles(book, found), {stock.id: stock.name for stock in found}
    stocks = [
        TracedStock(
            stock.name, **pick(stock, "id", "supplier", "supplier_batch", "active"),
            diluted_from=stock.diluted_from_id, left_ml=left[stock.id].left_ml,
        )
        for stock in found
    ]  # fmt: skip
    lots = []
    for dose in traced:
        head, told = book.lots.get(dose.lot_id), pick(dose, "stock_id", "first_at", "last_at", "ml", "mg")
        lots.append(TracedLot(head.id, head.label, head.name, head.closed, names[dose.stock_id], **told))
    return Trace(next((one.supplier_batch for one in stocks if one.supplier_batch), batch), stocks, lots)
