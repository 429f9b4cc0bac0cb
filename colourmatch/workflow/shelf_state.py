"""The bottles as they stand today: their colour, what is left, which are old or nearly empty, which lots hold whose batch."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from colourmatch.book.entries import LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import StockEntry
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.liquid.stock import DOSE_DROPS
from colourmatch.records import pick
from colourmatch.words.shelf import tell_empty, tell_old, tell_old_soon

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


def describe_bottles(
    book: LotBook, stocks: Sequence[StockEntry], on: date | None = None
) -> dict[int, dict[str, Any]]:
    """Of each bottle by its id `left_ml` and `warnings`, each a code and a sentence; `on` a day, today when None."""
    left = book.stocks.left_ml(stocks)
    return {
        stock.id: {
            "left_ml": None if left[stock.id] is None else round(left[stock.id] or 0.0, 3),
            "warnings": warn_of_bottle(stock, left[stock.id], on or date.today()) if stock.active else [],
        }
        for stock in stocks
    }


def warn_of_bottle(stock: StockEntry, left_ml: float | None, on: date) -> list[dict[str, str]]:
    """What is to be said of a bottle on a day: past its last day or near it, nearly empty (less than a whole dose)."""
    found = []
    if stock.use_by:
        last = date.fromisoformat(stock.use_by)
        if on > last:
            found.append({"code": "bottle-old", "text": tell_old(stock.name, last)})
        elif on + SOON > last:
            found.append({"code": "bottle-old-soon", "text": tell_old_soon(stock.name, last)})
    if left_ml is not None and left_ml < DOSE_DROPS[1] * stock.drop_ml:
        found.append({"code": "bottle-empty", "text": tell_empty(stock.name, left_ml)})
    return found


def warn_of_stocks(book: LotBook, names: Sequence[str]) -> list[dict[str, str]]:
    """The warnings of the bottles that a lot is tinted with, those on the shelf."""
    stocks = [stock for stock in book.stocks.all() if stock.name in set(names)]
    told = describe_bottles(book, stocks)
    return [warning for stock in stocks for warning in told[stock.id]["warnings"]]


def list_bottles(book: LotBook, story: LotStory) -> list[dict[str, Any]]:
    """The bottles that are in a lot, with whose batch each is: what a recall asks for."""
    used = [entry for entry in story.stock_entries if any(a.stock_id == entry.id for a in story.additions)]
    parents = {stock.id: stock for stock in book.stocks.all(active_only=False)} if used else {}
    found = []
    for entry in used:
        source = entry
        while source.supplier_batch is None and source.diluted_from_id in parents:
            source = parents[source.diluted_from_id]
        doses = [a for a in story.additions if a.stock_id == entry.id]
        told = {
            "stock": entry.name,
            **pick(source, "supplier", "supplier_batch"),
            **pick(entry, "id", "made_on", "use_by"),
        }
        found.append(
            told | {"ml": round(sum(a.ml for a in doses), 3), "mg": round(sum(a.mg for a in doses), 3)}
        )
    return found


def trace_batch(book: LotBook, batch: str) -> dict[str, Any]:
    """Which lots hold a supplier's batch: the bottles it came in, and what each lot got of them."""
    stocks, traced = book.stocks.trace(batch)
    left, names = describe_bottles(book, stocks), {stock.id: stock.name for stock in stocks}
    heads = {dose.lot_id: book.lots.get(dose.lot_id) for dose in traced}
    return {
        "batch": next((s.supplier_batch for s in stocks if s.supplier_batch), batch),
        "stocks": [
            pick(stock, "id", "supplier", "supplier_batch", "active")
            | {"stock": stock.name, "diluted_from": stock.diluted_from_id, "left_ml": left[stock.id]["left_ml"]}
            for stock in stocks
        ],
        "lots": [
            {
                "lot": dose.lot_id, "number": heads[dose.lot_id].label, **pick(heads[dose.lot_id], "name", "closed"),
                "stock": names[dose.stock_id], **pick(dose, "stock_id", "first_at", "last_at"),
                "ml": round(dose.ml, 3), "mg": round(dose.mg, 3),
            }
            for dose in traced
        ],
    }  # fmt: skip
