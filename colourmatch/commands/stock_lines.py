"""How a stock is told on the command line, and what can be typed of a bottle; it writes nothing."""

from __future__ import annotations

from typing import Any

import click

from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.stocks import BottleFacts
from colourmatch.commands import options as opt
from colourmatch.facts import K_95
from colourmatch.records import pick, plain
from colourmatch.words.figures import tell_amount, tell_percent
from colourmatch.workflow.shelf_state import describe_bottles

#: What a bottle says of its strength: one of these.
bottle_options = opt.join(
    opt.number("--bottle-percent", "The bottle says so many % w/w of pure dye."),
    opt.number("--bottle-e1pct", "It says E 1 %, 1 cm: of 1 g in 100 ml."),
    opt.number("--bottle-colour-value", "It says a colour value: of 10 g in 100 ml."),
    opt.number("--bottle-a610", "A caramel: absorbance of 0.1 % at 610 nm."),
)
#: Whose batch a bottle is, its days and how much it holds.
bottle_facts = opt.join(
    opt.text("--supplier", "NAME", "Who sold what is in it."),
    click.option("--batch", "supplier_batch", metavar="BATCH", help="The supplier's batch."),
    opt.text("--made-on", "DAY", "When it was made, such as 2026-11-29."),
    opt.text("--use-by", "DAY", "Until when it is good, such as 2027-05-01."),
    opt.amount("--amount-ml", "stock", "How much is in it; doses are counted down."),
)
hand_option = click.option("--hand", type=opt.HAND, help="In what its doses are measured.")
_FACTS = ("supplier", "supplier_batch", "made_on", "use_by", "amount_ml", "hand")
#: What the JSON of a stock takes from its record as it stands there.
_OF_RECORD = (
    "id", "colourant", "strength_g_per_100ml", "label_strength_g_per_100ml", "label_strength_rel_sd", "strength_factor",
    "strength_rel_sd", "drop_ml", "drop_rel_sd", "density_g_per_ml", "made_in", "active", "created_at", "changed_at",
    *_FACTS, "follows",
)  # fmt: skip


def take_facts(given: dict[str, Any]) -> BottleFacts:
    """What was typed of a bottle, taken out of the options."""
    said = {key: given.pop(key, None) for key in _FACTS}
    return {key: value for key, value in said.items() if value is not None}  # type: ignore[return-value]


def take_bottle(given: dict[str, Any]) -> dict[str, float]:
    """What was typed of `bottle_options`, taken out of the options."""
    said = {key: given.pop(f"bottle_{key}") for key in ("percent", "e1pct", "colour_value", "a610")}
    return {key: value for key, value in said.items() if value is not None}


def describe_stock(book: LotBook, entry: StockEntry) -> dict[str, Any]:
    """The JSON of a stock; strengths are g of pure dye in 100 ml."""
    return {
        "stock": entry.name,
        **pick(entry, *_OF_RECORD),
        "learnt": tell_learnt(entry),
        "drop_weighed": entry.weighed,
        "mg_per_drop": entry.as_stock().mg_per_drop,
        "diluted_from": entry.diluted_from_id,
        "note": entry.notes,
        "by": entry.entered_by,
        "corrected": list(entry.corrected),
        **plain(vars(describe_bottles(book, [entry])[entry.id])),
    }


def tell_learnt(entry: StockEntry) -> dict[str, Any] | None:
    """Real over label strength and the place of the band as photos showed them, null while they taught nothing."""
    if entry.learnt is None:
        return None
    value, low, high = (round(part, 4) for part in entry.learnt)
    shift = None
    if entry.shift:
        middle, reach = entry.shift[0], K_95 * entry.shift[1]
        shift = {"value": middle, "low": round(middle - reach, 1), "high": round(middle + reach, 1)}
    return {
        "strength_factor": value, "low": low, "high": high, "shift_nm": shift, "lot": entry.learnt_from_lot_id,
    }  # fmt: skip


def name_colourant(code: str) -> str:
    """The E number, or what an unknown bottle is like, for a reader."""
    if ":" not in code:
        return code
    like = code.split(":")[1]
    return f"unknown, like {like if like.startswith('E') else like + ' nm'}"


def sum_up(entry: StockEntry) -> str:
    return (
        f"{entry.name}: {name_colourant(entry.colourant)}, {tell_amount(entry.strength_g_per_100ml)} g in 100 ml "
        f"({tell_percent(entry.strength_rel_sd)}), drop {tell_amount(entry.drop_ml)} ml ({tell_percent(entry.drop_rel_sd)}"
        f"{', weighed' if entry.weighed else ''}), {tell_amount(entry.as_stock().mg_per_drop)} mg of colour a drop."
    )


def tell_origin(entry: StockEntry) -> str:
    """From what its figures are known, in a few words."""
    known = {
        "weighed": entry.weighed,
        f"learnt {entry.strength_factor:.2f}": entry.strength_factor != 1,
        "put right": entry.corrected,
        "put away": not entry.active,
    }
    return ", ".join(word for word, holds in known.items() if holds) or "label"
