"""Lots on the command line: begin, photograph, look up, close. Entries are in lot_entries.py, papers and files in
papers.py, what happens beside and after the steps of a lot in trials.py."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from colourmatch.book.checks import utc_text
from colourmatch.commands import lines as telling
from colourmatch.commands import lot_entries, papers, trials
from colourmatch.commands import options as opt
from colourmatch.commands import photos as reading
from colourmatch.commands.framework import Answer, Command, Data, Group, Session, Table, Who
from colourmatch.errors import ColourMatchError
from colourmatch.records import plain
from colourmatch.words.figures import tell_number
from colourmatch.words.times import tell_date, tell_time
from colourmatch.workflow.log import list_log

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook


@click.group(cls=Group)
def lot() -> None:
    """Lots: one batch from first photo to the stop, written down."""


@click.command(
    cls=Command,
    example="colourmatch lot new --name 'Orange bitter' --volume-ml 900 --stock red --ceiling-mg-per-l 60 --dilution 5",
)
@opt.text(
    "--like",
    "LOT",
    "An old lot whose figures are taken over; what is given here counts before them.",
    is_eager=True,
)
@opt.text("--name", "NAME", "What the drink is called. [required, or --like]", callback=lot_entries.need_unless_like)
@opt.amount("--volume", "batch", "The batch, with its unit, such as '2 l'; ml without one.")
@opt.amount("--volume-ml", "batch", "The batch, in ml. [required, or --volume]", callback=lot_entries.need_volume)
@click.option(
    "--stock", "stocks", metavar="STOCK", multiple=True, callback=lot_entries.need_unless_like,
    help="Repeat for a second stock. [required, or --like]",
)  # fmt: skip
@lot_entries.head_options(begins=True)
@opt.text("--number", "NUMBER", "Your own lot number.")
@opt.text("--note", "TEXT", "A remark.")
@opt.who
def new(session: Session, like: str | None, stocks: tuple[str, ...], who: Who, **given: Any) -> Answer:
    """Begin a lot.

    With --like its stocks, reference and figures are those of an old one, and the first dose is what the last such lots
    taught; it is stepped and photographed all the same.
    """
    from colourmatch.dosing.care import cautions_for
    from colourmatch.dosing.limits import place_or_first
    from colourmatch.workflow.again import begin_lot, fill_like, tell_first

    given["volume_ml"] = lot_entries.one_volume(given)
    head = lot_entries.head_figures(given)
    head |= {"notes": head.pop("note", ""), **who}
    book = session.open_book()
    if like is not None:
        old = fill_like(book, like)
        own = {**old.label_lines, **head.get("label_lines", {})}
        head = vars(old) | ({"target_lab": None} if "reference" in head else {}) | head | {"label_lines": own}
    if stocks:
        head["stocks"] = stocks
    made, first, warnings = begin_lot(book, **head)
    colourants = [book.stocks.get(stock).colourant for stock in made.stocks]
    cautions = cautions_for(colourants, place_or_first(made.jurisdiction))
    data = lot_entries.head_json(made) | {"cautions": list(map(plain, cautions))}
    data["warnings"] = list(map(plain, warnings))
    data["first_dose"] = [dose.to_json() for dose in first]
    stocked = f"{made.volume_ml:g} ml, tinted with {', '.join(made.stocks)}."
    lines = [f"Lot {made.id} ({made.label}), {made.name}: {stocked}"]
    lines += [f"  Warning: {warning.text}" for warning in warnings]
    lines += [f"  {caution.text}" for caution in cautions]
    if made.jurisdiction is None:
        lines.append(f"  {telling.NO_PLACE.replace('LOT', str(made.id))}")
    steps = [dose.step for dose in first if dose.measured.quantity]
    if first:
        lines.append(f"{'->' if steps else ' '} {tell_first(first)}")
    nexts = [f"add {made.id} --stock {one.stock!r} --{one.amount[1]} {one.amount[0]:g}" for one in steps]
    lines += [f"Next: colourmatch lot {act}" for act in nexts or [f"photo {made.id} PHOTO"]]
    return Answer(data, lines)


@click.command(cls=Command, example="colourmatch lot photo 1 photo.jpg --json")
@click.argument("lot")
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...")
@reading.rectangle_options
@reading.reading_options
@opt.number("--dilution", "From this photo on 1 part is made up to so many, both glasses alike.")
@opt.amount("--depth-mm", "depth", "From this photo on the liquid stands so deep in both glasses.")
@opt.who
def photo(session: Session, lot: str, photos: tuple[str, ...], who: Who, **given: Any) -> Answer:
    """Measure photos, learn, say what to do now.

    The rectangles are for photos without the printed card, from above like the others of the lot. Of vessels seen from
    the side the light passes once: make that lot with --depth-mm half their inner width. --card-name, --light,
    --dilution and --depth-mm hold for the lot's later photos too.
    """
    from colourmatch.instrument.incoming import lot_reader, note_for_lot
    from colourmatch.measurement import Measurement
    from colourmatch.workflow.lot import IN_LOT, record_photos

    view = opt.take(given, "depth_mm", "dilution")
    rectangles = reading.take_rectangles(given)
    book = session.open_book()
    head = book.lots.get(lot)
    lot_id = head.id
    note_for_lot(book, lot_id, card=given["card_name"], light=given["light"], entered_by=who["entered_by"])
    # read by all cores at once, then learnt from one after another: each advice rests on those before it
    new = tuple(path for path in photos if not _is_in(book, lot_id, path))
    read = reading.measure_all(new, rectangles, lot_reader(book, lot_id).greys)
    given = {"rectangles": rectangles, "view": view}

    def record(path: str, who: Who) -> Data:
        measured = [Measurement.from_json(next(read))] if path in new else None
        (taken,) = record_photos(book, lot_id, [Path(path)], measured=measured, **given, **who)
        return taken.to_json()

    found = reading.record_each(session, photos, who, record)
    again, closed = _renew_repeated(session, book, found)
    advice = next((result["advice"] for result in reversed(found) if result.get("advice")), None)
    data = found[0] if len(found) == 1 else {"lot": lot_id, "photos": found, "advice": advice}
    answer = reading.answer_photos(found, data)
    together = (advice or {}).get("combined")
    lines = [f"{name}: {IN_LOT}" for name in again]
    lines += telling.combined_lines(together) if together and len(together["photos"]) > 1 else ()
    return answer._replace(
        text=[*answer.text, *lines, *telling.advice_lines(advice, lot_id, head.tolerance, closed=closed)]
    )


def _is_in(book: LotBook, lot: int, path: str) -> bool:
    """Whether a photo is in the lot already; one that cannot be read is not."""
    from colourmatch.book.photo_store import open_source

    try:
        return book.photos.find(open_source(path)[0], lot) is not None
    except ColourMatchError:
        return False


def _renew_repeated(session: Session, book: LotBook, found: list[Data]) -> tuple[list[str], bool]:
    """Put what holds now in place of the advice of photos sent again, and say so; the newest, and whether the lot is closed.

    Advice from before an addition would have the same drops poured twice.
    """
    from colourmatch.workflow.describing import describe_lot

    now, newest = None, []
    for result in found:
        if not result.get("repeated"):
            continue
        now = now or describe_lot(book, result["lot"])
        if now["events"][-1]["id"] == result["entry"]:
            newest.append(result["photo"])
            continue
        result["advice"] = now["advice"]
        session.note(
            f"{result['photo']} is in the lot already, as entry {result['entry']}, and something was entered "
            "since. The advice is for the lot as it stands: take a new photo to learn more."
        )
    return newest, now is not None and bool(now["closed"])


@click.command("list", cls=Command, example="colourmatch lot list --open")
@opt.text("--search", "TEXT", "Part of the name or of the number.")
@opt.flag("--open", "open_only", "Only those not closed.")
@click.option("--limit", type=click.IntRange(1, 10_000), default=50, show_default=True, help="How many at most.")
@click.option("--offset", type=click.IntRange(0), default=0, help="Leave out so many, the newest first.")
def list_(session: Session, search: str | None, open_only: bool, limit: int, offset: int) -> Answer:
    """The lots, the newest first."""
    book = session.read_book(needed=False)
    lots = book.lots.search(search, open_only=open_only, limit=limit, offset=offset)
    total, place = book.lots.count(search, open_only=open_only), book.place
    data = {"lots": [lot_entries.head_json(one) for one in lots], "total": total}
    if not lots and (search or open_only or offset):
        none = "No lot fits. Leave --search, --open and --offset out to see all: colourmatch lot list"
        return Answer(data, [none])
    if not lots:  # it names the book, as a mistyped --book is an empty one
        begin = "colourmatch lot new --name NAME --volume-ml 900 --stock STOCK"
        return Answer(data, [f"No lot is in the book {place}. Begin one: {begin}"])
    rows = [
        (
            str(one.id), one.label, one.name, f"{round(one.volume_ml, 1):g}", ", ".join(one.stocks),
            tell_number(one.ceiling_mg_per_l), tell_date(one.created_at),
            ("closed" if one.closed else "open") + (f", trial of {one.trial_of}" if one.trial_of else ""),
        )
        for one in lots
    ]  # fmt: skip
    table = Table(("lot", "number", "name", "began, ml", "stocks", "ceiling mg/l", "begun", "state"), rows)
    more = [f"{len(lots)} of {total} lots; --offset shows the others."] if total > len(lots) else []
    return Answer(data, [table, *more])


@click.command(cls=Command, example="colourmatch lot show 1")
@click.argument("lot")
@opt.flag("--law", "With limits, intakes and all cautions.")
@opt.flag("--no-curve", "Leave the long curve out of the JSON of the advice.")
def show(session: Session, lot: str, law: bool, no_curve: bool) -> Answer:
    """Show the whole story of a lot.

    Entries, photos, the label, state, and at the end what to do now. The JSON always holds limits and cautions.
    """
    from colourmatch.workflow.describing import describe_lot

    book = session.read_book()
    told = describe_lot(book, book.lots.get(lot).id)
    if no_curve and (told["advice"] or {}).get("curve"):
        told["advice"] = told["advice"] | {"curve": None}
    return Answer(told, list(telling.fit_lines(telling.lot_lines(told, law=law))))


@click.command(cls=Command, example="colourmatch lot log --since yesterday")
@click.argument("lot", required=False)
@opt.text(
    "--since",
    "TIME",
    "today, yesterday, '3 days', a day, or '2026-11-25 14:30'.",
    default="yesterday",
    show_default=True,
)
@opt.text("--by", "WHO", "Only what one person entered.")
def log(session: Session, lot: str | None, since: str, who: Who) -> Answer:
    """Tell who did what, in one lot or in all."""
    begin = utc_text(opt.parse_since(since, datetime.now().astimezone()))
    lines = list_log(session.read_book(), begin, lot, who["entered_by"])
    if not lines:
        return Answer({"since": begin, "entries": []}, [f"Nothing was entered since {tell_date(begin)}."])
    rows = [(tell_time(one.at), one.by or "", one.number or "", one.text) for one in lines]
    table = Table(("when", "who", "lot", "what"), rows)
    return Answer({"since": begin, "entries": [line.to_json() for line in lines]}, [table])


@click.command(cls=Command, asks=True, example="colourmatch lot close 1 --reason matched")
@click.argument("lot")
@opt.text(
    "--reason",
    "TEXT",
    "matched, nearest, ceiling, past, given up, or a few words of your own. [default: as advised]",
)
@opt.text("--note", "TEXT", "A remark.", default="")
@opt.who
def close(session: Session, lot: str, reason: str | None, note: str, who: Who) -> Answer:
    """Close a lot.

    Its final colour is kept, and what its photos taught of the stocks.
    """
    from colourmatch.workflow.closing import close_lot

    book = session.open_book()
    head = book.lots.get(lot)
    lot_id = head.id
    told = close_lot(book, lot_id, reason, note, sure=session.sure, **who)
    for left in told.open_trials.values():
        session.note(left)
    session.warn(told.warnings)
    data = told.to_json()
    line = f"Lot {lot_id}. {telling.closing_line(data, data['advice'])}"
    return Answer(data, [line, *telling.advice_lines(data["advice"], lot_id, head.tolerance, closed=True)])


#: In the order of the work.
for _command in (
    new, photo, lot_entries.add, lot_entries.sample, lot_entries.correct, lot_entries.set_aside, lot_entries.answer, list_,
    show, log, close, lot_entries.reopen, papers.sheet, papers.label, trials.trend, trials.recheck, trials.trial,
    trials.look, trials.use, papers.export, papers.import_,
):  # fmt: skip
    lot.add_command(_command)
