"""Stocks on the command line: add, list, weigh drops, dilute, put right, and what becomes of a bottle."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import click

from colourmatch.amounts import ask_about_weighing
from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import ADD_STOCK
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.stocks import BottleFacts
from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Data, Group, Session, Table, Who, answer_list
from colourmatch.dosing.care import cautions_for
from colourmatch.errors import InputError
from colourmatch.facts import K_95
from colourmatch.liquid.colourants import custom_colourant
from colourmatch.liquid.make_up import dye_share, plan_liquid, plan_powder
from colourmatch.liquid.stock import suggest_strength
from colourmatch.records import pick, plain
from colourmatch.words.figures import tell_amount, tell_factor, tell_percent, tell_typed
from colourmatch.workflow.shelf_state import describe_bottles, trace_batch

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


def take_facts(given: Data) -> BottleFacts:
    """What was typed of a bottle, taken out of the options."""
    return opt.take(given, *_FACTS)  # type: ignore[return-value]


def take_bottle(given: Data) -> dict[str, float]:
    """What was typed of `bottle_options`, taken out of the options."""
    names = [f"bottle_{key}" for key in ("percent", "e1pct", "colour_value", "a610")]
    return {name.removeprefix("bottle_"): value for name, value in opt.take(given, *names).items()}


def describe_stock(book: LotBook, entry: StockEntry) -> Data:
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


def tell_learnt(entry: StockEntry) -> Data | None:
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


@click.group(cls=Group)
def stock() -> None:
    """Stocks: dilute solutions of a colourant, dosed by the drop."""


@stock.command(example="colourmatch stock add red --colourant E129 --strength-g-per-100ml 1.0 --drop-ml 0.05")
@click.argument("name")
@opt.text("--colourant", "E129|NAME|custom", 'E number or name; "custom": unknown bottle.', required=True)
@opt.amount("--strength-g-per-100ml", "strength", "Grams of pure dye in 100 ml of stock.")
@bottle_options
@opt.amount("--bottle-g", "strength", "Grams of what is in the bottle in 100 ml of stock. [default: as it is sold]")
@opt.amount("--drop-ml", "drop", "Volume of one drop.", default="0.05", show_default=True)
@click.option("--made-in", type=click.Choice(["water", "batch"]), default="water", show_default=True)
@opt.number("--strength-rel-sd", "How unsure: 0.2 is 20 %.", default="0.2", show_default=True)
@opt.number("--drop-rel-sd", "How unsure the drop is.", default="0.15", show_default=True)
@opt.number("--density-g-per-ml", "Water is 1, syrup to 1.35.", default="1", show_default=True)
@opt.number("--peak-nm", "custom: where it absorbs most, 400 to 700 nm.")
@opt.number("--e1pct", "custom: absorbance in 1 cm of 1 g in 100 ml.")
@opt.text("--like", "E129|NAME", "custom: the colourant it resembles.")
@bottle_facts
@hand_option
@opt.text("--note", "TEXT", "A remark.")
@opt.who
def add(session: Session, name: str, colourant: str, note: str | None, who: Who, **given: Any) -> Answer:
    """Put a stock on the shelf.

    Its strength is --strength-g-per-100ml, or what the bottle says: one --bottle option, and with --bottle-g how much of
    it is in the stock. A bottle that names no colourant: --colourant custom with --peak-nm or --like; its strength is
    learnt from the photos.
    """
    unknown = {key: given.pop(key) for key in ("peak_nm", "e1pct", "like")}
    code = _find_code(name, colourant, unknown)
    strength, facts = _read_strength(code, given), take_facts(given)
    book = session.open_book(begins=True)
    entry = book.stocks.add(name, code, strength, notes=note or "", bottle=facts, **given, **who)
    data = describe_stock(book, entry) | {"cautions": list(map(plain, cautions_for([code])))}
    return Answer(data, [f"Added {sum_up(entry)}"])


def _read_strength(code: str, given: Data) -> float:
    """Pure dye in 100 ml of stock, typed or from what the bottle says."""
    said, typed = take_bottle(given), given.pop("strength_g_per_100ml")
    grams: float | None = given.pop("bottle_g")
    if typed is not None and not said and grams is None:
        return float(typed)
    if typed is not None or not said:
        raise InputError(
            "Say how strong the stock is: --strength-g-per-100ml alone, or one of --bottle-percent, --bottle-e1pct, "
            "--bottle-colour-value and --bottle-a610."
        )
    # as it is sold: 100 ml of it weigh this much
    return dye_share(code, said) * (100 * given["density_g_per_ml"] if grams is None else grams)


def _find_code(name: str, colourant: str, unknown: Data) -> str:
    """The code of the colourant; an unknown bottle is described by its peak or by what it resembles."""
    if colourant.strip().casefold() != "custom":
        if any(value is not None for value in unknown.values()):
            raise InputError(
                "--peak-nm, --e1pct and --like are for an unknown bottle. Give --colourant custom with them."
            )
        return colourant
    if (unknown["peak_nm"] is None) == (unknown["like"] is None):
        raise InputError(
            "An unknown bottle needs one start. Give --peak-nm, such as 505, or --like with the colourant it resembles."
        )
    like = unknown["like"] if unknown["peak_nm"] is None else unknown["peak_nm"]
    return custom_colourant(name, like, unknown["e1pct"]).e_number


@stock.command("list", example="colourmatch stock list")
@opt.flag("--all", "everything", "Those put away as well.")
def list_(session: Session, everything: bool) -> Answer:
    """List the stocks on the shelf."""
    book = session.read_book(needed=False)
    entries = book.stocks.all(active_only=not everything)
    described = [describe_stock(book, entry) for entry in entries]
    rows = []
    for entry, one in zip(entries, described, strict=True):
        known = {
            "weighed": entry.weighed, f"learnt {tell_factor(entry.learnt)}" if entry.learnt else "": entry.learnt,
            "put right": entry.corrected, "put away": not entry.active,
        }  # fmt: skip
        rows.append((
            entry.name, name_colourant(entry.colourant),
            tell_amount(entry.strength_g_per_100ml) + ("" if entry.learnt else f" {tell_percent(entry.strength_rel_sd)}"),
            f"{tell_amount(entry.drop_ml)} {tell_percent(entry.drop_rel_sd)}",
            tell_amount(entry.as_stock().mg_per_drop), entry.made_in,
            "" if one["left_ml"] is None else tell_amount(one["left_ml"]),
            ", ".join(word for word, holds in known.items() if holds) or "label",
        ))  # fmt: skip
    told = [f"Warning: {warning['text']}" for one in described for warning in one["warnings"]]
    told += [f"{entry.name}: {said}." for entry in entries for said in entry.corrected]
    headers = ("stock", "colour", "g/100 ml", "drop ml", "mg/drop", "made in", "left ml", "known from")
    none = f"The shelf is empty. Add a stock: {ADD_STOCK}"
    answer = answer_list("stocks", described, Table(headers, rows), none)
    return answer._replace(text=[*answer.text, *told])


@stock.command(asks=True, example="colourmatch stock weigh red --drops 40 --grams 1.93")
@click.argument("name")
@opt.number("--drops", "How many drops were weighed; 20 to 50 are good.", required=True)
@opt.amount("--grams", "drops weighed", "What they weighed together.", required=True)
@opt.number("--density-g-per-ml", "If not that of the stock.")
@opt.flag("--another-dropper", "These are not the drops of the lots so far.")
@opt.who
def weigh(session: Session, name: str, drops: float, grams: float, who: Who, **given: Any) -> Answer:
    """Enter weighed drops.

    They give the volume of a drop, for the doses entered from now on.
    """
    if drops != int(drops):
        raise InputError(f"--drops is {tell_typed(drops)}. Count whole drops.")
    book = session.open_book()
    density = given["density_g_per_ml"] or book.stocks.get(name).density_g_per_ml
    session.ask(ask_about_weighing(drops, grams, density))
    entry = book.stocks.weigh(name, int(drops), grams, **given, **who)
    return Answer(describe_stock(book, entry), [sum_up(entry)])


@stock.command(example="colourmatch stock dilute red --fold 10 --name 'red 1 in 10'")
@click.argument("stock")
@opt.number("--fold", "10: 1 part made up to 10 parts. Puts the diluted stock on the shelf.")
@opt.text("--name", "NEW", "Name of the diluted stock.")
@opt.amount("--target-mg-per-l", "content", "Ask only: the whole dose in the batch, mg/l.")
@opt.amount("--volume-ml", "batch", "Ask only: the volume of the batch.")
@bottle_facts
@opt.who
def dilute(session: Session, stock: str, fold: float | None, name: str | None, who: Who, **given: Any) -> Answer:
    """Dilute a stock, or ask how far.

    A good stock makes the whole dose 20 to 60 drops.
    """
    target, volume = given["target_mg_per_l"], given["volume_ml"]
    book = session.open_book()
    parent = book.stocks.get(stock)
    if fold is not None and target is None and volume is None:
        entry = book.stocks.dilute(parent.id, fold, name, take_facts(given), **who)
        how = f"1 part of {parent.name} made up to {tell_typed(fold)} parts with {parent.made_in}"
        lines = [f"Added {sum_up(entry)}", f"Make it: {how}."]
        return Answer(describe_stock(book, entry) | {"fold": fold}, lines)
    if fold is not None or target is None or volume is None:
        raise InputError("Give --fold to dilute, or --target-mg-per-l and --volume-ml to ask for a dilution.")
    advice = suggest_strength(parent.as_stock(), target, volume)
    return Answer({"stock": parent.name} | asdict(advice), [advice.text])


@stock.command(example="colourmatch stock make --strength-g-per-100ml 1 --volume-ml 50 --dye-content 0.85")
@opt.amount("--strength-g-per-100ml", "strength", "Grams of pure dye in 100 ml of the stock.", required=True)
@opt.amount("--volume-ml", "stock", "How much stock.", required=True)
@opt.number("--dye-content", "From powder: its share of pure dye, 0.85 is 85 %. Else 1.")
@opt.amount("--bottle-g-per-100ml", "strength", "From a liquid colour: grams of pure dye in 100 ml of it.")
@opt.text("--colourant", "E129|NAME", "With a --bottle figure: which colourant it is.")
@bottle_options
def make(
    session: Session, strength_g_per_100ml: float, volume_ml: float, dye_content: float | None, **given: Any
) -> Answer:
    """Tell how much powder or liquid makes a stock.

    It is computed only: put the stock on the shelf with stock add.
    """
    colourant, bottle_g_per_100ml = given.pop("colourant"), given.pop("bottle_g_per_100ml")
    if said := take_bottle(given):
        if dye_content is not None or bottle_g_per_100ml is not None:
            raise InputError("Give one figure of the bottle: --dye-content, or one --bottle option.")
        if colourant is None and "percent" not in said:
            raise InputError("Say which colourant the bottle holds: --colourant, such as E163.")
        dye_content = dye_share(colourant or "E129", said)
    if dye_content is not None and 1 < dye_content <= 100:
        typed = tell_typed(dye_content)
        raise InputError(
            f"--dye-content is {typed}, but a share is at most 1. For {typed} % write {tell_typed(dye_content / 100)}."
        )
    if dye_content is not None and bottle_g_per_100ml is not None:
        raise InputError("Give --dye-content for a powder, or --bottle-g-per-100ml for a liquid, not both.")
    if bottle_g_per_100ml is None:
        plan = plan_powder(strength_g_per_100ml, volume_ml, 1.0 if dye_content is None else dye_content)
    else:
        plan = plan_liquid(strength_g_per_100ml, volume_ml, bottle_g_per_100ml)
    return Answer(asdict(plan), [plan.text])


@stock.command(example="colourmatch stock correct red --strength-g-per-100ml 2 --reason 'label misread'")
@click.argument("name", metavar="STOCK")
@opt.number("--strength-g-per-100ml", "The strength that is really on its label.")
@click.option("--name", "new_name", metavar="NEW", help="What it is called.")
@opt.text("--note", "TEXT", "The remark.")
@bottle_facts
@hand_option
@opt.text("--reason", "TEXT", "What was wrong, in a few words.")
@opt.who
def correct(session: Session, name: str, new_name: str | None, reason: str | None, who: Who, **given: Any) -> Answer:  # fmt: skip
    """Put what is on a stock's label right.

    A strength that was misread was wrong from the beginning: the doses of open lots are corrected with it, and what was
    thinned from this stock. Closed lots stay as they were recorded, until they are opened again.
    """
    given |= {"name": new_name, "notes": given.pop("note"), "bottle": take_facts(given)}
    book = session.open_book()
    done = book.stocks.correct(name, reason or "", **given, **who)
    entry = done.stock
    described = describe_stock(book, entry)
    data = described | {
        "corrected_doses": [{"lot": lot_id, "entry": new} for lot_id, new in done.entries],
        "corrected_stocks": list(done.thinned),
    }
    corrected, *follows = done.told
    return Answer(data, [corrected, sum_up(entry), *follows])


@stock.command(example="colourmatch stock reset red --reason 'made up again'")
@click.argument("name")
@opt.text("--reason", "TEXT", "Why, for the record.", default="")
@opt.by
def reset(session: Session, name: str, reason: str, who: Who) -> Answer:
    """Forget what was learnt of a stock.

    The strength on its label counts again.
    """
    book = session.open_book()
    before = tell_learnt(book.stocks.get(name))
    entry = book.stocks.reset(name, reason, **who)
    data = describe_stock(book, entry)
    forgotten = "Nothing was learnt of it yet: its label counts as before."
    if before is not None:
        span = f"{before['strength_factor']:.2f} ({before['low']:.2f} to {before['high']:.2f})"
        forgotten = f"Set aside, and kept in its history: strength as photos showed, {span} of the label."
    return Answer(data | {"forgotten": before}, [forgotten, sum_up(entry)])


@stock.command("put-away", example="colourmatch stock put-away red --reason 'used up'")
@click.argument("name")
@opt.text("--reason", "TEXT", "Why, for the record.", default="")
@opt.by
def put_away(session: Session, name: str, reason: str, who: Who) -> Answer:
    """Take a stock out of use.

    Its history stays and its name is free again.
    """
    book = session.open_book()
    entry = book.stocks.put_away(name, reason, **who)
    return Answer(describe_stock(book, entry), [f"{entry.name} is put away. Its history stays in the book."])


@stock.command(example="colourmatch stock refill red --batch K-1207 --made-on 2026-11-29 --amount-ml 50")
@click.argument("name")
@bottle_facts
@opt.text("--note", "TEXT", "A remark.", default="")
@opt.who
def refill(session: Session, name: str, note: str, who: Who, **given: Any) -> Answer:
    """Put a fresh bottle of a stock in the place of the old one.

    It starts with the strength that photos taught of the old one, less sure; the old one is put away.
    """
    book = session.open_book()
    entry = book.stocks.refill(name, notes=note, bottle=take_facts(given), **who)
    data = describe_stock(book, entry)
    lines = [f"A fresh bottle, stock {entry.id}, took the place of stock {entry.follows}. {sum_up(entry)}"]
    return Answer(data, lines)


@stock.command(example="colourmatch stock trace K-1207")
@click.argument("batch")
def trace(session: Session, batch: str) -> Answer:
    """Tell which lots hold a supplier's batch.

    What was thinned from its bottles counts too, and bottles that are put away.
    """
    told = trace_batch(session.read_book(), batch)
    lines = [*(stock.text for stock in told.stocks), *(lot.tell() for lot in told.lots)]
    return Answer(told.to_json(), [f"Batch {told.batch}:", *(f"  {line}" for line in lines), told.held])
