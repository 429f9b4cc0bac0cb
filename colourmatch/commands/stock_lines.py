"""How a stock is told on the command line, and what can be typed of a bottle; it writes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from colourmatch.commands.framework import (
    Number,
    Sized,
    options,
)
from colourmatch.words.figures import tell_amount, tell_percent

if TYPE_CHECKING:
    from colourmatch.book.bottles import BottleFacts
    from colourmatch.book.lot_book import LotBook
    from colourmatch.book.shelf_records import StockEntry


#: What a bottle says of its strength: one of these.
bottle_options = options(
    click.option("--bottle-percent", type=Number(), help="The bottle says so many % w/w of pure dye."),
    click.option("--bottle-e1pct", type=Number(), help="It says E 1 %, 1 cm: of 1 g in 100 ml."),
    click.option("--bottle-colour-value", type=Number(), help="It says a colour value: of 10 g in 100 ml."),
    click.option("--bottle-a610", type=Number(), help="A caramel: absorbance of 0.1 % at 610 nm."),
)


#: Whose batch a bottle is, its days and how much it holds.
bottle_facts = options(
    click.option("--supplier", metavar="NAME", help="Who sold what is in it."),
    click.option("--batch", "supplier_batch", metavar="BATCH", help="The supplier's batch."),
    click.option("--made-on", metavar="DAY", help="When it was made, such as 2026-11-29."),
    click.option("--use-by", metavar="DAY", help="Until when it is good, such as 2027-05-01."),
    click.option("--amount-ml", type=Sized("stock"), help="How much is in it; doses are counted down."),
)
hand_option = click.option(
    "--hand", type=click.Choice(["drops", "ml", "grams"]), help="In what its doses are measured."
)


def take_facts(given: dict[str, Any]) -> BottleFacts:
    """What was typed of a bottle, taken out of the options."""
    keys = ("supplier", "supplier_batch", "made_on", "use_by", "amount_ml", "hand")
    said = {key: given.pop(key, None) for key in keys}
    return {key: value for key, value in said.items() if value is not None}  # type: ignore[return-value]


def take_bottle(given: dict[str, Any]) -> dict[str, float]:
    """What was typed of `bottle_options`, taken out of the options."""
    said = {key: given.pop(f"bottle_{key}") for key in ("percent", "e1pct", "colour_value", "a610")}
    return {key: value for key, value in said.items() if value is not None}


def describe_stock(book: LotBook, entry: StockEntry) -> dict[str, Any]:
    """The JSON of a stock; strengths are g of pure dye in 100 ml."""
    from colourmatch.workflow.shelf_state import describe_bottles

    known = entry.as_stock()
    bottle = ("supplier", "supplier_batch", "made_on", "use_by", "amount_ml", "hand", "follows")
    stands = describe_bottles(book, [entry])[entry.id]
    return {
        "stock": entry.name,
        "id": entry.id,
        "colourant": entry.colourant,
        "strength_g_per_100ml": entry.strength_g_per_100ml,
        "label_strength_g_per_100ml": entry.label_strength_g_per_100ml,
        "label_strength_rel_sd": entry.label_strength_rel_sd,
        "strength_factor": entry.strength_factor,
        "strength_rel_sd": entry.strength_rel_sd,
        "learnt": tell_learnt(entry),
        "drop_ml": entry.drop_ml,
        "drop_rel_sd": entry.drop_rel_sd,
        "drop_weighed": entry.weighed,
        "mg_per_drop": known.mg_per_drop,
        "density_g_per_ml": entry.density_g_per_ml,
        "made_in": entry.made_in,
        "diluted_from": entry.diluted_from_id,
        "active": entry.active,
        "note": entry.notes,
        "created_at": entry.created_at,
        "changed_at": entry.changed_at,
        "by": entry.entered_by,
        "corrected": list(entry.corrected),
        **{key: getattr(entry, key) for key in bottle},
        **stands,
    }


def tell_learnt(entry: StockEntry) -> dict[str, Any] | None:
    """Real over label strength as photos showed it, null while they taught nothing."""
    if entry.learnt is None:
        return None
    value, low, high = (round(part, 4) for part in entry.learnt)
    return {"strength_factor": value, "low": low, "high": high, "lot": entry.learnt_from_lot_id}


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
    known = []
    if entry.weighed:
        known.append("weighed")
    if entry.strength_factor != 1:
        known.append(f"learnt {entry.strength_factor:.2f}")
    if entry.corrected:
        known.append("put right")
    if not entry.active:
        known.append("put away")
    return ", ".join(known) or "label"
