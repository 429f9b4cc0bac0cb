"""Printed cards and phones on the command line: what a card's greys reflect, a phone's own correction."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from colourmatch.amounts import SIZES, has_unit_of, parse_number
from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Group, Session, Table, Who, answer_list
from colourmatch.commands.photos import tell_none
from colourmatch.errors import InputError
from colourmatch.instrument import cards
from colourmatch.photo.card_profile import GREY_CARD, GREY_CARD_SD, PAPER, PAPER_SD
from colourmatch.records import pick
from colourmatch.words.figures import tell_contents, tell_interval, tell_lab, tell_number, tell_spread

if TYPE_CHECKING:
    from colourmatch.instrument.phones import PhoneTold


@click.group("card-profile", cls=Group)
def card_profile() -> None:
    """What the greys of a printed card really reflect: it tells the phone's tone curve from the printer's."""


@card_profile.command("add", example="colourmatch card-profile add kitchen card.jpg")
@click.argument("name")
@click.argument("photos", nargs=-1, metavar="[PHOTO...]")
@opt.text("--greys", "A,B,...", "Instead of photos: the six steps, or all twelve, paper being 1.")
@opt.number("--sd", "How unsure each of --greys is, such as 0.005.")
@opt.text("--grey", "X,Y,W,H", "Where the grey card lies, in pixels [default: the middle ring].", type=opt.RECTANGLE)
@opt.number("--reflectance", "Of the known grey card [default: 0.18].")
@opt.number("--reflectance-sd", "How unsure that is [default: 0.006].")
@opt.number("--paper-reflectance", "Of the bare paper [default: 0.88].")
@opt.number("--paper-reflectance-sd", "How unsure that is [default: 0.02].")
@opt.by
def add_card(session: Session, name: str, photos: tuple[str, ...], greys: str | None, who: Who, **given: Any) -> Answer:
    """Note what the greys of a printed card reflect.

    From photos of the empty card with a known grey card on its middle ring, or as measured (--greys). Several photos
    are joined.
    """
    if bool(photos) == (greys is not None):
        raise InputError("Say it in one way: PHOTO... beside a grey card, or --greys as measured.")
    if greys is not None:
        parts = re.split(r"[;\s]+", greys.strip()) if ";" in greys else greys.split(",")
        values = [parse_number(part, "--greys") for part in parts]
        book = session.open_book(begins=True)
        told = cards.enter_card(book, name, values, given["sd"], **who)
        return Answer(told.to_json(), list(_card_lines(told)))
    level = (given["reflectance"] or GREY_CARD, given["reflectance_sd"] or GREY_CARD_SD)
    paper = (given["paper_reflectance"] or PAPER, given["paper_reflectance_sd"] or PAPER_SD)
    book = session.open_book(begins=True)
    paths = [Path(photo) for photo in photos]
    told = cards.photograph_card(book, name, paths, given["grey"], reflectance=level, paper=paper, **who)
    data = told.to_json()
    refused = [f"{one.photo}: not read: {one.error}" for one in told.photos if one.error]
    if len(refused) < len(photos):
        return Answer(data, [*refused, *_card_lines(told)])
    if len(photos) == 1:
        return Answer(data, [], 2, told.photos[0].error)
    return Answer(data, refused, 2, tell_none("read"))


def _card_lines(told: cards.CardTold) -> Iterator[str | Table]:
    mark = ", the default" if told.default else ""
    yield f"Card {told.card}{mark}. {told.text}"
    half = len(told.greys) // 2
    rows = [
        (f"{top.nominal:g}", *(tell_spread(row.reflectance, row.sd, 3) for row in (top, bottom)))
        for top, bottom in zip(told.greys[:half], told.greys[half:], strict=True)
    ]
    yield Table(("as drawn", "top row", "bottom row"), rows)


@card_profile.command("list", example="colourmatch card-profile list")
def list_cards(session: Session) -> Answer:
    """List the printed cards in the book."""
    book = session.read_book(needed=False)
    found = cards.list_cards(book)
    rows = [(c.card, "yes" if c.default else "", str(len(c.readings)), c.text) for c in found]
    table = Table(("card", "default", "readings", "what is known"), rows)
    none = "No card is in the book. Note one: colourmatch card-profile add NAME PHOTO"
    return answer_list("cards", [one.to_json() for one in found], table, none)


@card_profile.command("show", example="colourmatch card-profile show kitchen photo.jpg")
@click.argument("name")
@click.argument("photo", required=False, metavar="[PHOTO]")
def show_card(session: Session, name: str, photo: str | None) -> Answer:
    """Show a card, and what it changes of a photo: each colour and the difference, before and after."""
    book = session.read_book()
    told = cards.read_card_profile(book, name)
    lines: list[str | Table] = [*_card_lines(told)]
    if photo is None:
        return Answer(told.to_json() | {"change": None}, lines)
    change = cards.compare_card(book, name, Path(photo))
    lines.append(change.photo)
    seen = {"before": change.before, "after": change.after}
    for spot, moved in change.changed.items():
        if moved is None:
            continue
        for when, one in seen.items():
            if colour := one.spots[spot]:
                lines.append(f"  {spot:9}  {when:6}  {tell_lab(colour.lab, colour.lab_sd)}")
        lines.append(f"  {spot:9}  moved   {tell_lab(moved.lab)}  CIEDE2000 {moved.delta_e_2000:.2f}")
    for when, one in seen.items():
        if one.delta_e_2000:
            lines.append(f"  difference {when:6}  CIEDE2000 {tell_interval(one.delta_e_2000)}")
    return Answer(told.to_json() | {"change": change.to_json()}, lines)


@card_profile.command("default", example="colourmatch card-profile default kitchen")
@click.argument("name")
@opt.by
def default_card(session: Session, name: str, who: Who) -> Answer:
    """Choose the card that photos of lots are read with where nothing else is said.

    "none" takes it back.
    """
    card = cards.choose_card(session.open_book(), None if name.strip().casefold() == "none" else name, **who)
    said = f"Photos of lots are read with the card {card}." if card else "No card is the default."
    return Answer({"default": card}, [said])


@card_profile.command("forget", example="colourmatch card-profile forget kitchen")
@click.argument("name")
@opt.by
def forget_card(session: Session, name: str, who: Who) -> Answer:
    """Forget a card that was lost, faded or printed again; what was read with it stays recorded."""
    card = cards.forget_card(session.open_book(), name, **who)
    return Answer({"card": card, "forgotten": True}, [f"The card {card} is forgotten."])


# ---- phones ------------------------------------------------------------------------------------------------------


@click.group(cls=Group)
def phone() -> None:
    """A phone's own correction, from photos of water with known additions of colour."""


def read_known(typed: str, what: str) -> dict[str, tuple[float, str]]:
    """Amount and unit by stock of a known liquid: STOCK=MG_PER_L,..., or STOCK=6drops or 0.3ml with --volume-ml."""
    held: dict[str, tuple[float, str]] = {}
    for part in re.split(r"[,;]\s*(?=[^,;=]+=)", typed.strip()):
        stock, equals, amount = part.rpartition("=")
        stock, amount = stock.strip(), amount.strip()
        if not equals or not stock or not re.match(r"[\d.,+-]", amount) or stock in held:
            raise InputError(f"{what} cannot be read at {part!r}. Give STOCK=MG_PER_L, such as red=6,yellow=4.")
        of = f"{stock} of {what}"
        if counted := re.fullmatch(r"(.*?)\s*drops?", amount, re.IGNORECASE):
            held[stock] = parse_number(counted[1], of), "drops"
        else:
            unit, size = ("ml", "dose") if has_unit_of(amount, SIZES["dose"]) else ("mg/l", "content")
            held[stock] = opt.take_amount(amount, of, SIZES[size]), unit
    return held


KNOWN = opt.Typed("known", read_known)
phone_options = opt.join(
    opt.text("--phone", "NAME", "The phone, by the name in its photos, when there are several."),
    opt.text("--light", "NAME", "The light, when there are several."),
)


@phone.command("add", example="colourmatch phone add photo.jpg --light window --reference red=6 --batch red=12")
@click.argument("photo")
@opt.text("--light", "NAME", "A name of your own for the light, such as window.", required=True)
@opt.text("--reference", "STOCK=MG_PER_L", "What the left glass holds.", type=KNOWN)
@opt.text("--batch", "STOCK=MG_PER_L", "What the middle glass holds.", type=KNOWN)
@opt.amount("--volume-ml", "water", "Of the water, when drops or ml of a stock are given.")
@opt.amount("--depth-mm", "depth", "Depth of liquid in the glasses.", default="10", show_default=True)
@opt.text("--card-name", "NAME", "The printed card, when its greys are in the book.")
@opt.who
def add_photo(session: Session, photo: str, light: str, who: Who, **given: Any) -> Answer:
    """Keep a photo of known liquids beside a glass of water.

    Red in two or three strengths, yellow in two, both together: four to eight photos in one sitting. An amount is in
    mg of colour per litre, or in drops or ml of the stock with --volume-ml.
    """
    from colourmatch.instrument.phones import add_known_photo, mix_known

    book = session.open_book()
    known, volume_ml = {}, given["volume_ml"]
    for spot, held in ((spot, given[spot]) for spot in ("reference", "batch") if given[spot]):
        if all(unit == "mg/l" for _, unit in held.values()):
            known[spot] = {stock: amount for stock, (amount, _) in held.items()}
        elif volume_ml is None:
            raise InputError("Drops or ml need the volume of the water: give --volume-ml, such as 250.")
        else:  # they count in the volume that they are added to
            known[spot] = mix_known(book, held, volume_ml)
    card = cards.card_profile(book, given["card_name"])
    told = add_known_photo(book, Path(photo), light, known, depth_mm=given["depth_mm"], card=card, **who)
    held = "; ".join(f"{one.spot} {tell_contents(one.mg_per_l)}" for one in told.liquids)
    line = f"Kept photo {told.entry} of {told.phone}, light {told.light}: {held}."
    return Answer(told.to_json(), [line, "When all are kept: colourmatch phone fit"])


@phone.command("fit", example="colourmatch phone fit --light window")
@phone_options
@opt.number("--strength-rel-sd", "How well the stocks are known, such as 0.03 [default: theirs].")
@opt.number("--depth-rel-sd", "How well the depth is known.", default="0.02", show_default=True)
@opt.who
def fit(session: Session, phone: str | None, light: str | None, who: Who, **given: Any) -> Answer:
    """Fit the correction to the photos kept, and keep it: later photos of this phone and light are corrected."""
    from colourmatch.instrument.phones import fit_known

    told = fit_known(session.open_book(), phone, light, **given, **who)
    return Answer(told.to_json(), list(_phone_lines(told)))


@phone.command("show", example="colourmatch phone show --light window")
@phone_options
def show_phone(session: Session, phone: str | None, light: str | None) -> Answer:
    """Show a phone's known liquids and the errors without and with its correction."""
    from colourmatch.instrument.phones import read_phone

    told = read_phone(session.read_book(), phone, light)
    return Answer(told.to_json(), list(_phone_lines(told)))


def _phone_lines(told: PhoneTold) -> Iterator[str | Table]:
    yield f"{told.phone}, light {told.light}. {told.text}"
    fitted = told.fit
    if fitted is None:
        return
    rows = [
        (
            tell_contents(one.mg_per_l), tell_lab(one.true_lab), tell_lab(one.lab), tell_number(one.before, 2),
            tell_number(one.after, 2),
        )
        for one in fitted.liquids
    ]  # fmt: skip
    yield Table(("known liquid", "by its content", "told without", "error without", "with"), rows)
    for stock in fitted.strengths:
        factor = tell_interval(pick(stock, "value", "low", "high"), 2)
        yield f"  {stock.stock} is {factor} of its label, glass depth included."
    kinds = [
        ({"none": "without", "camera": "with"}[kind], *(tell_number(part, 2) for part in own.values()))
        for kind, own in fitted.errors.items()
    ]
    yield Table(("correction", "known liquids", "other colourants", "together"), kinds)


@phone.command("list", example="colourmatch phone list")
def list_phones(session: Session) -> Answer:
    """List the phones and lights with known liquids."""
    from colourmatch.instrument import phones

    found = phones.list_phones(session.read_book(needed=False))
    rows = [
        (
            one.phone, one.light, str(len(one.photos)), one.fit.kind if one.fit else "not fitted",
            *(tell_number(getattr(one.fit, key, None)) for key in ("median_before", "median_after")),
        )
        for one in found
    ]  # fmt: skip
    table = Table(("phone", "light", "photos", "correction", "error without", "with"), rows)
    none = "No phone has known liquids. Begin: colourmatch phone add PHOTO --light window --batch red=12"
    return answer_list("phones", [one.to_json() for one in found], table, none)


@phone.command("forget", example="colourmatch phone forget --light window")
@phone_options
@opt.by
def forget_phone(session: Session, phone: str | None, light: str | None, who: Who) -> Answer:
    """Forget a phone's known liquids and correction in a light; what was read with it stays recorded."""
    from colourmatch.instrument import phones

    phone, light = phones.forget_phone(session.open_book(), phone, light, **who)
    data = {"phone": phone, "light": light, "forgotten": True}
    return Answer(data, [f"{phone} in the light {light} is forgotten."])
