"""Stocks on the command line: add, list, weigh drops, dilute, put right; what becomes of a bottle is in bottles.py."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from colourmatch.amounts import ask_about_weighing
from colourmatch.commands import bottles
from colourmatch.commands.framework import (
    Answer,
    Group,
    Number,
    Session,
    Sized,
    Table,
    by_option,
    token_option,
)
from colourmatch.commands.stock_lines import (
    bottle_facts,
    bottle_options,
    describe_stock,
    hand_option,
    name_colourant,
    sum_up,
    take_bottle,
    take_facts,
    tell_origin,
)
from colourmatch.errors import InputError
from colourmatch.words.figures import tell_amount, tell_percent, tell_typed

if TYPE_CHECKING:
    from colourmatch.book.bottles import BottleFacts
    from colourmatch.book.lot_book import LotBook
    from colourmatch.book.shelf_records import StockEntry


@click.group(cls=Group)
def stock() -> None:
    """Stocks: dilute solutions of a colourant, dosed by the drop."""


@stock.command(example="colourmatch stock add red --colourant E129 --strength-g-per-100ml 1.0 --drop-ml 0.05")
@click.argument("name")
@click.option(
    "--colourant",
    metavar="E129|NAME|custom",
    required=True,
    help='E number or name; "custom": unknown bottle.',
)
@click.option("--strength-g-per-100ml", type=Sized("strength"), help="Grams of pure dye in 100 ml of stock.")
@bottle_options
@click.option(
    "--bottle-g",
    type=Sized("strength"),
    help="Grams of what is in the bottle in 100 ml of stock. [default: as it is sold]",
)
@click.option("--drop-ml", type=Sized("drop"), default="0.05", show_default=True, help="Volume of one drop.")
@click.option("--made-in", type=click.Choice(["water", "batch"]), default="water", show_default=True)
@click.option(
    "--strength-rel-sd", type=Number(), default="0.2", show_default=True, help="How unsure: 0.2 is 20 %."
)
@click.option(
    "--drop-rel-sd", type=Number(), default="0.15", show_default=True, help="How unsure the drop is."
)
@click.option(
    "--density-g-per-ml", type=Number(), default="1", show_default=True, help="Water is 1, syrup to 1.35."
)
@click.option("--peak-nm", type=Number(), help="custom: where it absorbs most, 400 to 700 nm.")
@click.option("--e1pct", type=Number(), help="custom: absorbance in 1 cm of 1 g in 100 ml.")
@click.option("--like", metavar="E129|NAME", help="custom: the colourant it resembles.")
@bottle_facts
@hand_option
@click.option("--note", metavar="TEXT", help="A remark.")
@by_option
@token_option
def add(
    session: Session, name: str, colourant: str, note: str | None, by: str | None, **given: Any
) -> Answer:
    """Put a stock on the shelf.

    Its strength is --strength-g-per-100ml, or what the bottle says: one --bottle option, and with --bottle-g how much of
    it is in the stock. A bottle that names no colourant: --colourant custom with --peak-nm or --like; its strength is
    learnt from the photos.
    """
    unknown = {key: given.pop(key) for key in ("peak_nm", "e1pct", "like")}
    code = _find_code(name, colourant, unknown)
    given["strength_g_per_100ml"] = _read_strength(code, given)
    facts = take_facts(given)
    with session.open_book(begins=True) as book:
        entry = book.stocks.add(
            name,
            code,
            given.pop("strength_g_per_100ml"),
            notes=note or "",
            bottle=facts,
            entered_by=by,
            **given,
        )
        data = describe_stock(book, entry)
    from colourmatch.dosing.care import cautions_for

    cautions = [{"code": caution.code, "text": caution.text} for caution in cautions_for([code])]
    return Answer(data | {"cautions": cautions}, [f"Added {sum_up(entry)}"])


def _read_strength(code: str, given: dict[str, Any]) -> float:
    """Pure dye in 100 ml of stock, typed or from what the bottle says."""
    from colourmatch.liquid.make_up import dye_share

    said, typed = take_bottle(given), given["strength_g_per_100ml"]
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


def _find_code(name: str, colourant: str, unknown: dict[str, Any]) -> str:
    """The code of the colourant; an unknown bottle is described by its peak or by what it resembles."""
    from colourmatch.liquid.colourants import custom_colourant

    if colourant.strip().casefold() != "custom":
        if any(value is not None for value in unknown.values()):
            raise InputError(
                "--peak-nm, --e1pct and --like are for an unknown bottle. Give --colourant custom with them."
            )
        return colourant
    if (unknown["peak_nm"] is None) == (unknown["like"] is None):
        raise InputError(
            "An unknown bottle needs one start. Give --peak-nm, such as 505, or --like with the colourant it "
            "resembles."
        )
    like = unknown["like"] if unknown["peak_nm"] is None else unknown["peak_nm"]
    return custom_colourant(name, like, unknown["e1pct"]).e_number


@stock.command("list", example="colourmatch stock list")
@click.option("--all", "everything", is_flag=True, help="Those put away as well.")
def list_(session: Session, everything: bool) -> Answer:
    """List the stocks on the shelf."""
    from colourmatch.book.shelf import ADD_STOCK

    with session.read_book(needed=False) as book:
        entries = book.stocks.all(active_only=not everything)
        described = [describe_stock(book, entry) for entry in entries]
    if not entries:
        return Answer({"stocks": []}, [f"The shelf is empty. Add a stock: {ADD_STOCK}"])
    rows = [
        (
            entry.name,
            name_colourant(entry.colourant),
            f"{tell_amount(entry.strength_g_per_100ml)} {tell_percent(entry.strength_rel_sd)}",
            f"{tell_amount(entry.drop_ml)} {tell_percent(entry.drop_rel_sd)}",
            tell_amount(entry.as_stock().mg_per_drop),
            entry.made_in,
            "" if one["left_ml"] is None else tell_amount(one["left_ml"]),
            tell_origin(entry),
        )
        for entry, one in zip(entries, described, strict=True)
    ]
    told = [f"Warning: {warning['text']}" for one in described for warning in one["warnings"]]
    told += [f"{entry.name}: {said}." for entry in entries for said in entry.corrected]
    headers = ("stock", "colour", "g/100 ml", "drop ml", "mg/drop", "made in", "left ml", "known from")
    return Answer({"stocks": described}, [Table(headers, rows), *told])


@stock.command(asks=True, example="colourmatch stock weigh red --drops 40 --grams 1.93")
@click.argument("name")
@click.option("--drops", type=Number(), required=True, help="How many drops were weighed; 20 to 50 are good.")
@click.option("--grams", type=Sized("drops weighed"), required=True, help="What they weighed together.")
@click.option("--density-g-per-ml", type=Number(), help="If not that of the stock.")
@click.option("--another-dropper", is_flag=True, help="These are not the drops of the lots so far.")
@by_option
@token_option
def weigh(session: Session, name: str, drops: float, grams: float, by: str | None, **given: Any) -> Answer:
    """Enter weighed drops.

    They give the volume of a drop, for the doses entered from now on.
    """
    if drops != int(drops):
        raise InputError(f"--drops is {tell_typed(drops)}. Count whole drops.")
    with session.open_book() as book:
        density = given["density_g_per_ml"] or book.stocks.get(name).density_g_per_ml
        session.ask(ask_about_weighing(drops, grams, density))
        entry = book.stocks.weigh(name, int(drops), grams, entered_by=by, **given)
        return Answer(describe_stock(book, entry), [sum_up(entry)])


@stock.command(example="colourmatch stock dilute red --fold 10 --name 'red 1 in 10'")
@click.argument("stock")
@click.option(
    "--fold", type=Number(), help="10: 1 part made up to 10 parts. Puts the diluted stock on the shelf."
)
@click.option("--name", metavar="NEW", help="Name of the diluted stock.")
@click.option("--target-mg-per-l", type=Sized("content"), help="Ask only: the whole dose in the batch, mg/l.")
@click.option("--volume-ml", type=Sized("batch"), help="Ask only: the volume of the batch.")
@bottle_facts
@by_option
@token_option
def dilute(session: Session, stock: str, fold: float | None, name: str | None, **given: Any) -> Answer:
    """Dilute a stock, or ask how far.

    A good stock makes the whole dose 20 to 60 drops.
    """
    target, volume, facts = given["target_mg_per_l"], given["volume_ml"], take_facts(given)
    with session.open_book() as book:
        parent = book.stocks.get(stock)
        if fold is not None and target is None and volume is None:
            return _put_diluted(book, parent, (fold, name, facts), given)
        if fold is not None or target is None or volume is None:
            raise InputError(
                "Give --fold to dilute, or --target-mg-per-l and --volume-ml to ask for a dilution."
            )
    from colourmatch.liquid.stock import suggest_strength

    advice = suggest_strength(parent.as_stock(), target, volume)
    data = {"stock": parent.name, "fold": advice.fold, "drops": advice.drops, "text": advice.text}
    return Answer(data | {"strength_g_per_100ml": advice.strength_g_per_100ml}, [advice.text])


def _put_diluted(
    book: LotBook, parent: StockEntry, wanted: tuple[float, str | None, BottleFacts], given: dict[str, Any]
) -> Answer:
    entry = book.stocks.dilute(parent.id, *wanted, entered_by=given["by"], token=given["token"])
    how = f"1 part of {parent.name} made up to {tell_typed(wanted[0])} parts with {parent.made_in}"
    return Answer(
        describe_stock(book, entry) | {"fold": wanted[0]}, [f"Added {sum_up(entry)}", f"Make it: {how}."]
    )


@stock.command(
    example="colourmatch stock make --strength-g-per-100ml 1 --volume-ml 50 --dye-content 0.85",
)
@click.option(
    "--strength-g-per-100ml",
    type=Sized("strength"),
    required=True,
    help="Grams of pure dye in 100 ml of the stock.",
)
@click.option("--volume-ml", type=Sized("stock"), required=True, help="How much stock.")
@click.option(
    "--dye-content", type=Number(), help="From powder: its share of pure dye, 0.85 is 85 %. Else 1."
)
@click.option(
    "--bottle-g-per-100ml",
    type=Sized("strength"),
    help="From a liquid colour: grams of pure dye in 100 ml of it.",
)
@click.option("--colourant", metavar="E129|NAME", help="With a --bottle figure: which colourant it is.")
@bottle_options
def make(
    session: Session,
    strength_g_per_100ml: float,
    volume_ml: float,
    dye_content: float | None,
    bottle_g_per_100ml: float | None,
    colourant: str | None,
    **bottle: Any,
) -> Answer:
    """Tell how much powder or liquid makes a stock.

    It is computed only: put the stock on the shelf with stock add.
    """
    from colourmatch.liquid.make_up import dye_share, plan_liquid, plan_powder

    if said := take_bottle(bottle):
        if dye_content is not None or bottle_g_per_100ml is not None:
            raise InputError("Give one figure of the bottle: --dye-content, or one --bottle option.")
        if colourant is None and "percent" not in said:
            raise InputError("Say which colourant the bottle holds: --colourant, such as E163.")
        dye_content = dye_share(colourant or "E129", said)
    if dye_content is not None and 1 < dye_content <= 100:
        raise InputError(
            f"--dye-content is {tell_typed(dye_content)}, but a share is at most 1. For {tell_typed(dye_content)} % write {tell_typed(dye_content / 100)}."
        )
    if bottle_g_per_100ml is None:
        plan = plan_powder(strength_g_per_100ml, volume_ml, 1.0 if dye_content is None else dye_content)
    elif dye_content is None:
        plan = plan_liquid(strength_g_per_100ml, volume_ml, bottle_g_per_100ml)
    else:
        raise InputError("Give --dye-content for a powder, or --bottle-g-per-100ml for a liquid, not both.")
    data = {"dye_g": plan.dye_g, "powder_g": plan.powder_g, "liquid_ml": plan.liquid_ml, "text": plan.text}
    return Answer(data, [plan.text])


@stock.command(example="colourmatch stock correct red --strength-g-per-100ml 2 --reason 'label misread'")
@click.argument("name", metavar="STOCK")
@click.option("--strength-g-per-100ml", type=Number(), help="The strength that is really on its label.")
@click.option("--name", "new_name", metavar="NEW", help="What it is called.")
@click.option("--note", metavar="TEXT", help="The remark.")
@bottle_facts
@hand_option
@click.option("--reason", metavar="TEXT", help="What was wrong, in a few words.")
@by_option
@token_option
def correct(
    session: Session, name: str, new_name: str | None, note: str | None, reason: str | None, **given: Any
) -> Answer:
    """Put what is on a stock's label right.

    A strength that was misread was wrong from the beginning: the doses of open lots are corrected with it, and what was
    thinned from this stock. Closed lots stay as they were recorded, until they are opened again.
    """
    by, strength = given.pop("by"), given.pop("strength_g_per_100ml")
    with session.open_book() as book:
        done = book.stocks.correct(
            name,
            reason or "",
            strength_g_per_100ml=strength,
            name=new_name,
            notes=note,
            bottle=take_facts(given),
            entered_by=by,
            **given,
        )
        entry = done.stock
        described = describe_stock(book, entry)
    data = described | {
        "corrected_doses": [{"lot": lot_id, "entry": new} for lot_id, new in done.entries],
        "corrected_stocks": list(done.thinned),
    }
    lines = [f"Corrected: {entry.corrected[-1]}.", sum_up(entry)]
    if done.thinned:
        lines.append(f"Thinned from it, and put right with it: {', '.join(done.thinned)}.")
    if lots := sorted({lot_id for lot_id, _ in done.entries}):
        listed = ", ".join(map(str, lots))
        lines.append(
            f"Doses of open lots that count by the new label now: {len(done.entries)}, in lot {listed}."
        )
    return Answer(data, lines)


for _command in (bottles.reset, bottles.put_away, bottles.refill, bottles.trace):
    stock.add_command(_command)
