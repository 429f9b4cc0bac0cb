"""Lots on the command line: begin, photograph, add, look up, correct, close.

Their papers and files are in papers.py, what happens after the closing in afterwards.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from colourmatch.commands import afterwards, papers, trials
from colourmatch.commands.framework import (
    Answer,
    Group,
    Number,
    Session,
    Sized,
    Table,
    by_option,
    number_text,
    options,
    token_option,
)
from colourmatch.commands.lines import (
    NO_PLACE,
    advice_lines,
    closing_line,
    combined_lines,
    lot_lines,
    state_lines,
)
from colourmatch.commands.photos import (
    answer_photos,
    card_name_option,
    light_option,
    measure_all,
    note_progress,
    rectangle_options,
    take_rectangles,
)
from colourmatch.commands.progress import watch
from colourmatch.commands.typed import Lab, Serving, join_servings
from colourmatch.errors import ColourMatchError, InputError
from colourmatch.words.entries import tell_change, tell_entry
from colourmatch.words.times import tell_date

if TYPE_CHECKING:
    from colourmatch.book.entries import Lot, LotEntry, LotStory
    from colourmatch.book.lot_book import LotBook
    from colourmatch.dosing.care import Caution


@click.group(cls=Group)
def lot() -> None:
    """Lots: one batch from first photo to the stop, written down."""


def _ask_head(begins: bool) -> Callable[[Any], Any]:
    """The figures of a lot's head; only a new lot takes defaults, a correction leaves what is not named as it is."""

    def otherwise(default: str) -> str:
        return f" [default: {default}]." if begins else "."

    return options(
        click.option(
            "--ceiling-mg-per-l", type=Sized("content"), help="Most colour that may be in the finished drink."
        ),
        click.option(
            "--depth-mm", type=Sized("depth"), help="Depth of liquid in the glasses" + otherwise("10")
        ),
        click.option(
            "--dilution",
            type=Number(),
            help="5: 1 part made up to 5 with water, both glasses" + otherwise("1"),
        ),
        click.option(
            "--tolerance", type=Number(), help="CIEDE2000 that counts as matched" + otherwise("1.5")
        ),
        click.option(
            "--already-mg-per-l", type=Sized("content"), help="Colour that is in the base" + otherwise("0")
        ),
        click.option(
            "--already-colourant",
            metavar="E163|NAME",
            help="Which colourant that is; it then counts for its own limit too.",
        ),
        click.option(
            "--jurisdiction",
            metavar="EU|US",
            help="Where it is sold: whose limits the advice keeps" + otherwise("none"),
        ),
        click.option(
            "--reference", metavar="NAME", help="What it is tinted to, from `colourmatch reference list`."
        ),
        click.option(
            "--target-lab",
            type=Lab(),
            metavar="L,a,b",
            help='CIELAB (D65, 2 degrees) to tint to where the photo shows no reference; "none" takes it away.',
        ),
        click.option(
            "--serving",
            type=Serving(),
            multiple=True,
            metavar="KEY=VALUE,...",
            help="Where the match is judged: name, depth-mm, dilution, light (A, D65, 2700 K ...), weight. "
            'Repeat for a second; "none": as photographed.',
        ),
    )


_amount_options = options(
    click.option("--drops", type=Number(), help="Drops that went in."),
    click.option("--ml", type=Sized("dose"), help="Millilitres that went in."),
    click.option("--grams", type=Sized("dose weighed"), help="Grams that went in."),
)


def _need_volume(ctx: click.Context, option: click.Parameter, value: float | None) -> float | None:
    """The volume of a new lot may come from either option, and must from one."""
    if value is None and ctx.params.get("volume") is None and not ctx.resilient_parsing:
        raise click.MissingParameter(ctx=ctx, param=option)
    return value


def _one_volume(given: dict[str, Any]) -> float | None:
    """What --volume and --volume-ml say together, in ml."""
    free: float | None = given.pop("volume")
    in_ml: float | None = given.pop("volume_ml")
    if free is not None and in_ml is not None and free != in_ml:
        raise InputError(f"--volume says {free:g} ml and --volume-ml {in_ml:g} ml. Give one of the two.")
    return in_ml if free is None else free


@lot.command(
    example="colourmatch lot new --name 'Orange bitter' --volume-ml 900 --stock red --ceiling-mg-per-l 60 "
    "--dilution 5"
)
@click.option("--name", metavar="NAME", required=True, help="What the drink is called.")
@click.option(
    "--volume", type=Sized("batch"), help="The batch, with its unit, such as '2 l'; ml without one."
)
@click.option(
    "--volume-ml",
    type=Sized("batch"),
    callback=_need_volume,
    help="The batch, in ml. [required, or --volume]",
)
@click.option(
    "--stock", "stocks", metavar="STOCK", multiple=True, required=True, help="Repeat for a second stock."
)
@_ask_head(begins=True)
@click.option("--number", metavar="NUMBER", help="Your own lot number.")
@click.option("--note", metavar="TEXT", help="A remark.")
@by_option
@token_option
def new(session: Session, name: str, stocks: tuple[str, ...], **given: Any) -> Answer:
    """Begin a lot."""
    from colourmatch.dosing.care import cautions_for, place_or_first

    given["volume_ml"] = _one_volume(given)
    head = _head_figures(given)
    head["entered_by"], head["notes"] = head.pop("by", None), head.pop("note", "")
    with session.open_book() as book:
        colourants = [book.find_stock(stock).colourant for stock in stocks]
        cautions = cautions_for(colourants, place_or_first(given["jurisdiction"]))
        made = book.new_lot(name, stocks=stocks, **head)
    data = _head_json(made) | {"cautions": [{"code": c.code, "text": c.text} for c in cautions]}
    warnings = _warn_of_base(made)
    data["warnings"] = [{"code": c.code, "text": c.text} for c in warnings]
    lines = [
        f"Lot {made.id} ({made.label}), {made.name}: {made.volume_ml:g} ml, "
        f"tinted with {', '.join(made.stocks)}."
    ]
    lines += [f"  Warning: {warning.text}" for warning in warnings]
    lines += [f"  {caution.text}" for caution in cautions]
    if made.jurisdiction is None:
        lines.append(f"  {NO_PLACE.replace('LOT', str(made.id))}")
    return Answer(data, [*lines, f"Next: colourmatch lot photo {made.id} PHOTO"])


def _warn_of_base(made: Lot) -> tuple[Caution, ...]:
    from colourmatch.book.entries import LotStory
    from colourmatch.dosing.care import warn_of_base

    return warn_of_base(LotStory(made, ()).state(), made.ceiling_mg_per_l, made.jurisdiction)


def _tell_no_lots(place: str, narrowed: bool) -> str:
    """Why a list is empty; it names the book, as a mistyped --book is an empty one."""
    if narrowed:
        return "No lot fits. Leave --search, --open and --offset out to see all: colourmatch lot list"
    begin = "colourmatch lot new --name NAME --volume-ml 900 --stock STOCK"
    return f"No lot is in the book {place}. Begin one: {begin}"


def _head_figures(given: dict[str, Any]) -> dict[str, Any]:
    """The figures that were typed, as the book takes them; what was set aside with "none" is None."""
    figures = {key: value for key, value in given.items() if value is not None}
    if servings := figures.pop("serving", ()):
        figures["serving"] = join_servings(servings)
    if "target_lab" in figures:
        figures["target_lab"] = figures["target_lab"] or None
    return figures


def _head_json(made: Lot) -> dict[str, Any]:
    head = asdict(made) | {"label": made.label, "stocks": list(made.stocks)}
    return {"lot": head.pop("id")} | head


@lot.command(example="colourmatch lot photo 1 photo.jpg --json")
@click.argument("lot")
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...")
@rectangle_options
@card_name_option
@light_option
@click.option(
    "--dilution", type=Number(), help="From this photo on 1 part is made up to so many, both glasses alike."
)
@click.option(
    "--depth-mm", type=Sized("depth"), help="From this photo on the liquid stands so deep in both glasses."
)
@by_option
@token_option
def photo(
    session: Session, lot: str, photos: tuple[str, ...], by: str | None, token: str | None, **given: Any
) -> Answer:
    """Measure photos, learn, say what to do now.

    The rectangles are for photos without the printed card, from above like the others of the lot. Of vessels seen from
    the side the light passes once: make that lot with --depth-mm half their inner width. --card-name, --light,
    --dilution and --depth-mm hold for the lot's later photos too.
    """
    from colourmatch.instrument.incoming import lot_reader, note_for_lot
    from colourmatch.measurement import Measurement
    from colourmatch.workflow.lot import record_photos

    card, light = given.pop("card_name"), given.pop("light")
    view = {name: given.pop(name) for name in ("depth_mm", "dilution")}
    rectangles = take_rectangles(given)
    with session.open_book() as book:
        lot_id = book.find_lot(lot).id
        note_for_lot(book, lot_id, card=card, light=light, entered_by=by)
        found = []
        # read by all cores at once, then learnt from one after another: each advice rests on those before it
        new = tuple(path for path in photos if not _is_in(book, lot_id, path))
        read = measure_all(new, rectangles, lot_reader(book, lot_id).greys)
        for number, path in enumerate(watch(photos, len(photos)), 1):
            one = token if token is None or len(photos) == 1 else f"{token} {number}"
            measured = [Measurement.from_json(next(read))] if path in new else None
            found += record_photos(
                book,
                lot_id,
                [Path(path)],
                entered_by=by,
                token=one,
                rectangles=rectangles,
                measured=measured,
                view=view,
            )
            note_progress(session, (number, len(photos)), found[-1])
        closed = _renew_repeated(session, book, found)
    advice = next((result["advice"] for result in reversed(found) if result.get("advice")), None)
    data = found[0] if len(found) == 1 else {"lot": lot_id, "photos": found, "advice": advice}
    answer = answer_photos(found, data)
    together = (advice or {}).get("combined")
    lines = combined_lines(together) if together and len(together["photos"]) > 1 else ()
    return answer._replace(text=[*answer.text, *lines, *advice_lines(advice, closed=closed)])


def _is_in(book: LotBook, lot: int, path: str) -> bool:
    """Whether a photo is in the lot already; one that cannot be read is not."""
    try:
        return book.find_photo(Path(path), lot) is not None
    except (OSError, ColourMatchError):
        return False


def _renew_repeated(session: Session, book: LotBook, found: list[dict[str, Any]]) -> bool:
    """Put what holds now in place of the advice of photos sent again, and say so; whether the lot is closed.

    Advice from before an addition would have the same drops poured twice.
    """
    from colourmatch.workflow.lot import describe_lot

    now: dict[str, Any] | None = None
    for result in found:
        if not result.get("repeated"):
            continue
        now = now or describe_lot(book, result["lot"])
        if now["events"][-1]["id"] == result["entry"]:
            continue
        result["advice"] = now["advice"]
        session.note(
            f"{result['photo']} is in the lot already, as entry {result['entry']}, and something was entered "
            "since. The advice is for the lot as it stands: take a new photo to learn more."
        )
    return now is not None and bool(now["closed"])


@lot.command(example="colourmatch lot add 1 --stock red --drops 12")
@click.argument("lot")
@click.option("--stock", metavar="STOCK", help="What went in.")
@_amount_options
@click.option("--untinted-ml", type=Sized("part"), help="Instead: untinted batch that was blended back.")
@click.option("--note", metavar="TEXT", help="A remark.")
@by_option
@token_option
def add(
    session: Session, lot: str, stock: str | None, untinted_ml: float | None, note: str | None, **given: Any
) -> Answer:
    """Write down what went in.

    An addition of a stock, or untinted batch that was blended back.
    """
    by, token = given.pop("by"), given.pop("token")
    with session.open_book() as book:
        if untinted_ml is not None:
            if stock is not None or any(value is not None for value in given.values()):
                raise InputError("Write down one thing at a time: --stock with its amount, or --untinted-ml.")
            entry: Any = book.add_untinted(lot, untinted_ml, entered_by=by, token=token)
            data: dict[str, Any] = {"ml": entry.ml}
        else:
            if stock is None:
                raise InputError("Say what went in: --stock NAME with --drops, --ml or --grams.")
            entry = book.add_addition(lot, stock, entered_by=by, token=token, **given)
            data = {key: getattr(entry, key) for key in ("stock", "quantity", "unit", "ml", "mg")}
        if note:
            book.add_note(entry.lot_id, note, entered_by=by)
        return _answer_entry(
            session, book, entry, data, f"Written down as entry {entry.id}: {tell_entry(entry)}."
        )


def _answer_entry(session: Session, book: LotBook, entry: Any, data: dict[str, Any], line: str) -> Answer:
    """An entry with the state after it; what passes a ceiling is said, and recorded all the same."""
    from colourmatch.workflow.ceilings import describe_state, passed_ceilings

    story = book.lot_story(entry.lot_id)
    state, warnings = describe_state(story), passed_ceilings(story)
    for warning in warnings:
        session.note(f"Warning: {warning['text']}")
    shown = {"lot": entry.lot_id, "entry": entry.id, "kind": entry.kind, **data, "state": state}
    shown |= {"ceiling_left_mg_per_l": state["ceiling_left_mg_per_l"], "warnings": warnings}
    shown["warning"] = warnings[0]["text"] if warnings else None
    return Answer(shown, [line, *state_lines(state)])


@lot.command(example="colourmatch lot sample 1 --ml 20")
@click.argument("lot")
@click.option("--ml", type=Sized("part"), required=True, help="What was taken from the batch.")
@click.option("--returned", is_flag=True, help="It went back whole; nothing changes.")
@by_option
@token_option
def sample(
    session: Session, lot: str, ml: float, returned: bool, by: str | None, token: str | None
) -> Answer:
    """Write down a sample taken from the batch."""
    with session.open_book() as book:
        entry = book.take_sample(lot, ml, returned=returned, entered_by=by, token=token)
        line = f"Written down as entry {entry.id}: {tell_entry(entry)}."
        return _answer_entry(session, book, entry, {"ml": entry.ml, "returned": entry.returned}, line)


@lot.command(example="colourmatch lot correct 1 4 --drops 11 --reason 'counted again'")
@click.argument("lot")
@click.argument("entry", required=False)
@click.option("--reason", metavar="TEXT", help="What was wrong, in a few words.")
@_amount_options
@click.option("--stock", metavar="STOCK", help="The stock that really went in.")
@click.option("--void", is_flag=True, help="It never happened.")
@click.option(
    "--at",
    metavar="TIME",
    help="When it really happened, local: '2026-11-25 14:30', or 14:30 on the day that the entry has.",
)
@click.option(
    "--volume", type=Sized("batch"), help="Without ENTRY: the volume the lot began with, such as '2 l'."
)
@click.option("--volume-ml", type=Sized("batch"), help="The same, in ml.")
@click.option("--name", metavar="NAME", help="What the drink is called.")
@click.option("--number", metavar="NUMBER", help='Your own lot number; "none": L and its id.')
@click.option("--notes", metavar="TEXT", help="The remark that the lot was begun with.")
@_ask_head(begins=False)
@by_option
@token_option
def correct(session: Session, lot: str, entry: str | None, reason: str | None, **given: Any) -> Answer:
    """Put an entry or a figure of the lot right.

    The old one stays in the history.
    ENTRY is the number of an addition or a sample, from `colourmatch lot show LOT`; with --at of a photo or a note too.
    """
    who = {"entered_by": given.pop("by"), "token": given.pop("token")}
    given["volume_ml"] = _one_volume(given)
    entry_keys = ("drops", "ml", "grams", "stock", "void", "at")
    changes = _head_figures({key: value for key, value in given.items() if key not in entry_keys})
    if str(changes.get("number")).strip().casefold() == "none" and "number" in changes:
        changes["number"] = None
    if "reference" in changes:
        changes["reference_id"] = changes.pop("reference")
    amounts = {key: given[key] for key in entry_keys if given[key] not in (None, False)}
    if entry is None and not changes:
        raise InputError(
            "Say what to correct: the number of an entry (see lot show), or a figure such as --volume-ml."
        )
    if (entry is None and amounts) or (entry is not None and changes):
        raise InputError(
            "An entry is corrected with --drops, --ml, --grams, --stock, --void or --at; the lot without ENTRY."
        )
    with session.open_book() as book:
        story = book.lot_story(lot)
        if entry is None:
            done: Any = book.amend_lot(story.lot.id, reason or "", **changes, **who)
            said = ", ".join(tell_change(key, value) for key, value in done.changes.items())
            return _answer_entry(session, book, done, {"changes": done.changes}, f"Corrected: {said}.")
        return _correct_entry(session, book, (story, entry), amounts, {"reason": reason or "", **who})


def _correct_entry(
    session: Session, book: LotBook, place: tuple[LotStory, str], amounts: dict[str, Any], who: dict[str, Any]
) -> Answer:
    story, typed = place
    wanted = next((known for known in story.events if str(known.id) == typed.strip()), None)
    if wanted is None:
        raise InputError(f"Lot {story.lot.id} has no entry {typed}. See: colourmatch lot show {story.lot.id}")
    if "at" in amounts:
        return _move_entry(session, book, wanted, amounts, who)
    if wanted.kind in ("sample", "untinted", "poured-back"):
        if amounts.keys() - {"ml", "void"} or not amounts:
            raise InputError(f"Entry {wanted.id} is a volume. Correct it with --ml, or with --void.")
        done: Any = book.correct_volume(wanted.id, **amounts, **who)
        data = {key: getattr(done, key) for key in ("ml", "void")}
    else:
        done = book.correct_addition(wanted.id, **amounts, **who)
        data = {key: getattr(done, key) for key in ("stock", "quantity", "unit", "ml", "mg", "void")}
    data |= {"replaces": wanted.id, "reason": done.reason}
    return _answer_entry(
        session, book, done, data, f"Entry {wanted.id} is replaced by entry {done.id}: {tell_entry(done)}."
    )


def _move_entry(
    session: Session, book: LotBook, wanted: LotEntry, amounts: dict[str, Any], who: dict[str, Any]
) -> Answer:
    from colourmatch.commands.moments import parse_moment

    if len(amounts) > 1:
        raise InputError("Put the time right by itself: give --at without an amount, a stock or --void.")
    day = datetime.fromisoformat(wanted.happened_at).astimezone().date()
    done = book.move_entry(wanted.id, parse_moment(amounts["at"], day), **who)
    data = {"moved_entry": wanted.id, "happened_at": done.moved_to, "reason": done.reason}
    line = f"{tell_entry(done)}. It counts there now, by entry {done.id}."
    return _answer_entry(session, book, done, data, line)


@lot.command("set-aside", example="colourmatch lot set-aside 1 7 --why 'a lamp shone in'")
@click.argument("lot")
@click.argument("photo")
@click.option("--why", metavar="TEXT", required=True, help="What is wrong with it, in a few words.")
@click.option("--take-back", is_flag=True, help="Let a photo that was set aside count again.")
@by_option
@token_option
def set_aside(
    session: Session, lot: str, photo: str, why: str, take_back: bool, by: str | None, token: str | None
) -> Answer:
    """Leave a photo that lies apart out of all that is said of a lot.

    Nothing is deleted. PHOTO is its entry, from `colourmatch lot show LOT`, or the name of its file.
    """
    from colourmatch.workflow.lot import describe_lot

    with session.open_book() as book:
        entry = book.set_aside(book.find_lot(lot).id, photo, why, back=take_back, entered_by=by, token=token)
        told = describe_lot(book, entry.lot_id)
    data = {
        "lot": entry.lot_id, "entry": entry.id, "photo_entry": entry.photo_entry_id, "set_aside": not entry.back,
        "why": entry.reason, "advice": told["advice"],
    }  # fmt: skip
    return Answer(data, [f"{tell_entry(entry)}.", *advice_lines(told["advice"], closed=told["closed"])])


@lot.command("list", example="colourmatch lot list --open")
@click.option("--search", metavar="TEXT", help="Part of the name or of the number.")
@click.option("--open", "open_only", is_flag=True, help="Only those not closed.")
@click.option(
    "--limit", type=click.IntRange(1, 10_000), default=50, show_default=True, help="How many at most."
)
@click.option("--offset", type=click.IntRange(0), default=0, help="Leave out so many, the newest first.")
def list_(session: Session, search: str | None, open_only: bool, limit: int, offset: int) -> Answer:
    """The lots, the newest first."""
    with session.read_book(needed=False) as book:
        lots = book.list_lots(search, open_only=open_only, limit=limit, offset=offset)
        total, place = book.count_lots(search, open_only=open_only), book.place
    data = {"lots": [_head_json(one) for one in lots], "total": total}
    if not lots:
        return Answer(data, [_tell_no_lots(place, bool(search or open_only or offset))])
    rows = [
        (
            str(one.id),
            one.label,
            one.name,
            f"{round(one.volume_ml, 1):g}",
            ", ".join(one.stocks),
            number_text(one.ceiling_mg_per_l),
            tell_date(one.created_at),
            ("closed" if one.closed else "open") + (f", trial of {one.trial_of}" if one.trial_of else ""),
        )
        for one in lots
    ]
    table = Table(("lot", "number", "name", "began, ml", "stocks", "ceiling mg/l", "begun", "state"), rows)
    more = [f"{len(lots)} of {total} lots; --offset shows the others."] if total > len(lots) else []
    return Answer(data, [table, *more])


@lot.command(example="colourmatch lot show 1")
@click.argument("lot")
def show(session: Session, lot: str) -> Answer:
    """Show the whole story of a lot.

    Entries, photos, state, advice, the label line and cautions.
    """
    from colourmatch.workflow.lot import describe_lot

    with session.read_book() as book:
        told = describe_lot(book, book.find_lot(lot).id)
    return Answer(told, list(lot_lines(told)))


@lot.command(asks=True, example="colourmatch lot close 1 --reason matched")
@click.argument("lot")
@click.option(
    "--reason",
    metavar="TEXT",
    help="matched, nearest, ceiling, past, given up, or a few words of your own. [default: as advised]",
)
@click.option("--note", metavar="TEXT", default="", help="A remark.")
@by_option
@token_option
def close(
    session: Session, lot: str, reason: str | None, note: str, by: str | None, token: str | None
) -> Answer:
    """Close a lot.

    Its final colour is kept, and what its photos taught of the stocks.
    """
    from colourmatch.workflow.closing import close_lot

    with session.open_book() as book:
        lot_id = book.find_lot(lot).id
        told = close_lot(book, lot_id, reason, note, sure=session.sure, entered_by=by, token=token)
    for left in told["open_trials"]:
        session.note(left["text"])
    for passed in told["warnings"]:
        session.note(f"Warning: {passed['text']}")
    return Answer(
        told,
        [f"Lot {lot_id}. {closing_line(told, told['advice'])}", *advice_lines(told["advice"], closed=True)],
    )


@lot.command(example="colourmatch lot reopen 1 --reason 'closed the wrong one'")
@click.argument("lot")
@click.option("--reason", metavar="TEXT", help="Why, in a few words.")
@by_option
@token_option
def reopen(session: Session, lot: str, reason: str | None, by: str | None, token: str | None) -> Answer:
    """Open a closed lot again.

    Its closing stays in the story. What it taught of the stocks is taken back until it is closed again.
    """
    from colourmatch.workflow.lot import describe_lot

    with session.open_book() as book:
        entry = book.reopen_lot(book.find_lot(lot).id, reason or "", entered_by=by, token=token)
        told = describe_lot(book, entry.lot_id)
    data = {
        "lot": entry.lot_id, "entry": entry.id, "closing_entry": entry.closing_entry_id, "reason": entry.reason,
        "closed": told["closed"], "advice": told["advice"],
    }  # fmt: skip
    line = f"Lot {entry.lot_id} is open again: {entry.reason}. Its closing, entry {entry.closing_entry_id}, stays in its story."
    return Answer(data, [line, *advice_lines(told["advice"], closed=told["closed"])])


for _command in (papers.sheet, papers.label, afterwards.trend, afterwards.recheck):
    lot.add_command(_command)
for _command in (trials.trial, trials.look, trials.use, papers.export, papers.import_):
    lot.add_command(_command)
