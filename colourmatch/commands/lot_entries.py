"""What is entered into a lot on the command line: its head, doses, samples, what is put right, photos set aside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Command, Data, Session, Who
from colourmatch.commands.lines import advice_lines, state_lines
from colourmatch.errors import InputError, QuestionError
from colourmatch.records import pick, plain
from colourmatch.words.entries import tell_changes, tell_entry
from colourmatch.words.figures import tell_typed
from colourmatch.workflow.ceilings import describe_state, passed_ceilings
from colourmatch.workflow.log import open_dose_of_other

if TYPE_CHECKING:
    from colourmatch.book.entries import Lot, LotEntry
    from colourmatch.book.lot_book import LotBook


#: The maker's own lines of the label, by their options.
_LABEL = {
    "ingredients": 'For the label; "colours" stands where the colours are merged in, else they come last.',
    "contents": "For the label: how much is in the bottle.",
    "best-before": "For the label: until when it is best.",
    "producer": "For the label: who made it, and where.",
    "keeping": 'For the label: how it is to be kept. "none" takes a line away.',
}


def head_options(begins: bool) -> Callable[[Any], Any]:
    """The figures of a lot's head; only a new lot takes defaults, a correction leaves what is not named as it is."""

    def otherwise(default: str) -> str:
        return f" [default: {default}]." if begins else "."

    return opt.join(
        opt.amount("--ceiling-mg-per-l", "content", "Most colour that may be in the finished drink."),
        opt.amount("--depth-mm", "depth", "Depth of liquid in the glasses" + otherwise("10")),
        opt.number("--dilution", "5: 1 part made up to 5 with water, both glasses" + otherwise("1")),
        opt.number("--tolerance", "CIEDE2000 that counts as matched" + otherwise("1.5")),
        opt.amount("--already-mg-per-l", "content", "Colour that is in the base" + otherwise("0")),
        opt.text(
            "--already-colourant", "E163|NAME", "Which colourant that is; it then counts for its own limit too."
        ),
        opt.text(
            "--jurisdiction", "EU|US", "Where it is sold: whose limits the advice keeps" + otherwise("none")
        ),
        opt.number(
            "--made-up-to",
            "6: its label says to make 1 part up to 6 parts of drink, for which the limits of the law hold"
            + otherwise("1"),
        ),
        opt.text("--reference", "NAME", "What it is tinted to, from `colourmatch reference list`."),
        opt.text(
            "--target-lab", "L,a,b",
            'CIELAB (D65, 2 degrees) to tint to where the photo shows no reference; "none" takes it away.', type=opt.LAB,
        ),
        opt.text(
            "--serving", "KEY=VALUE,...",
            "Where the match is judged: name, depth-mm, dilution, light (A, D65, 2700 K ...), weight. "
            'Repeat for a second; "none": as photographed.', type=opt.SERVING, multiple=True,
        ),
        click.option("--hand", type=opt.HAND, help="In what its doses are measured" + otherwise("drops")),
        *(opt.text(f"--{name}", "TEXT", told) for name, told in _LABEL.items()),
    )  # fmt: skip


def need_volume(ctx: click.Context, option: click.Parameter, value: float | None) -> float | None:
    """The volume of a new lot may come from either option, and must from one."""
    if value is None and ctx.params.get("volume") is None:
        need_unless_like(ctx, option, None)
    return value


def need_unless_like(ctx: click.Context, option: click.Parameter, value: Any) -> Any:
    """A name and stocks have to be given, unless a lot that it is like has them."""
    if not value and ctx.params.get("like") is None and not ctx.resilient_parsing:
        raise click.MissingParameter(ctx=ctx, param=option)
    return value


def one_volume(given: Data) -> float | None:
    """What --volume and --volume-ml say together, in ml."""
    free, in_ml = given.pop("volume"), given.pop("volume_ml")
    if None not in (free, in_ml) and free != in_ml:
        raise InputError(
            f"--volume says {tell_typed(free)} ml and --volume-ml {tell_typed(in_ml)} ml. Give one of the two."
        )
    return in_ml if free is None else free  # type: ignore[no-any-return]


def head_figures(given: Data) -> Data:
    """The figures that were typed, as the book takes them; what was set aside with "none" is None."""
    figures = {key: value for key, value in given.items() if value is not None}
    if servings := figures.pop("serving", ()):
        conditions = [condition for condition in servings if condition]
        figures["serving"] = {"conditions": conditions} if conditions else None
    own = {key: figures.pop(key) for key in (name.replace("-", "_") for name in _LABEL) if key in figures}
    if own:
        figures["label_lines"] = {key: "" if line.strip() == "none" else line for key, line in own.items()}
    if "target_lab" in figures:
        figures["target_lab"] = figures["target_lab"] or None
    return figures


def head_json(made: Lot) -> Data:
    head = asdict(made) | {"label": made.label, "stocks": list(made.stocks)}
    return {"lot": head.pop("id")} | head


_amount_options = opt.join(
    opt.number("--drops", "Drops that went in."),
    opt.amount("--ml", "dose", "Millilitres that went in."),
    opt.amount("--grams", "dose weighed", "Grams that went in."),
)
_ADDITION, _VOLUME = ("stock", "quantity", "unit", "ml", "mg"), ("ml",)


@click.command(cls=Command, asks=True, example="colourmatch lot add 1 --stock red --drops 12")
@click.argument("lot")
@opt.text("--stock", "STOCK", "What went in.")
@_amount_options
@opt.amount("--untinted-ml", "part", "Instead: untinted batch that was blended back.")
@opt.text("--note", "TEXT", "A remark.")
@opt.who
def add(
    session: Session, lot: str, stock: str | None, untinted_ml: float | None, note: str | None, who: Who, **given: Any
) -> Answer:  # fmt: skip
    """Write down what went in.

    An addition of a stock, or untinted batch that was blended back. A dose of somebody else that no photo has seen is asked
    about once.
    """
    from colourmatch.workflow.shelf_state import warn_of_stocks

    by = who["entered_by"]
    book = session.open_book()
    if untinted_ml is not None:
        if stock is not None or any(value is not None for value in given.values()):
            raise InputError("Write down one thing at a time: --stock with its amount, or --untinted-ml.")
        entry: Any = book.volumes.add_untinted(lot, untinted_ml, **who)
    else:
        if stock is None:
            raise InputError("Say what went in: --stock NAME with --drops, --ml or --grams.")
        if by and not session.sure and (open_dose := open_dose_of_other(book.lots.story(lot), by)):
            raise QuestionError(open_dose)
        entry = book.additions.add(lot, stock, **given, **who)
        session.warn(map(plain, warn_of_stocks(book, [entry.stock])))
    if note:
        book.entries.add_note(entry.lot_id, note, entered_by=by)
    return _answer_entry(session, book, entry, pick(entry, *(_VOLUME if stock is None else _ADDITION)))


def _answer_entry(session: Session, book: LotBook, entry: Any, data: Data, line: str = "") -> Answer:
    """An entry with the state after it; what passes a ceiling is said, and recorded all the same."""
    story = book.lots.story(entry.lot_id)
    state, warnings = describe_state(story), passed_ceilings(story)
    session.warn(warnings)
    shown = {"lot": entry.lot_id, "entry": entry.id, "kind": entry.kind, **data, "state": state}
    shown |= {"ceiling_left_mg_per_l": state["ceiling_left_mg_per_l"], "warnings": warnings}
    shown["warning"] = warnings[0]["text"] if warnings else None
    line = line or f"Written down as entry {entry.id}: {tell_entry(entry)}."
    return Answer(shown, [line, *state_lines(state)])


@click.command(cls=Command, example="colourmatch lot sample 1 --ml 20")
@click.argument("lot")
@opt.amount("--ml", "part", "What was taken from the batch.", required=True)
@opt.flag("--returned", "It went back whole; nothing changes.")
@opt.who
def sample(session: Session, lot: str, ml: float, returned: bool, who: Who) -> Answer:
    """Write down a sample taken from the batch."""
    book = session.open_book()
    entry = book.volumes.take_sample(lot, ml, returned=returned, **who)
    return _answer_entry(session, book, entry, pick(entry, "ml", "returned"))


@click.command(cls=Command, example="colourmatch lot correct 1 4 --drops 11 --reason 'counted again'")
@click.argument("lot")
@click.argument("entry", required=False)
@opt.text("--reason", "TEXT", "What was wrong, in a few words.")
@_amount_options
@opt.text("--stock", "STOCK", "The stock that really went in.")
@opt.flag("--void", "It never happened.")
@opt.text(
    "--at",
    "TIME",
    "When it really happened, local: '2026-11-25 14:30', or 14:30 on the day that the entry has.",
)
@opt.amount("--volume", "batch", "Without ENTRY: the volume the lot began with, such as '2 l'.")
@opt.amount("--volume-ml", "batch", "The same, in ml.")
@opt.text("--name", "NAME", "What the drink is called.")
@opt.text("--number", "NUMBER", 'Your own lot number; "none": L and its id.')
@opt.text("--notes", "TEXT", "The remark that the lot was begun with.")
@head_options(begins=False)
@opt.who
def correct(session: Session, lot: str, entry: str | None, reason: str | None, who: Who, **given: Any) -> Answer:
    """Put an entry or a figure of the lot right.

    The old one stays in the history.
    ENTRY is the number of an addition or a sample, from `colourmatch lot show LOT`; with --at of a photo or a note too.
    """
    given["volume_ml"] = one_volume(given)
    entry_keys = ("drops", "ml", "grams", "stock", "void", "at")
    changes = head_figures({key: value for key, value in given.items() if key not in entry_keys})
    if str(changes.get("number")).strip().casefold() == "none" and "number" in changes:
        changes["number"] = None
    if "reference" in changes:
        changes["reference_id"] = changes.pop("reference")
    amounts = {key: given[key] for key in entry_keys if given[key] not in (None, False)}
    if entry is None and not changes:
        raise InputError("Say what to correct: the number of an entry (see lot show), or a figure such as --volume-ml.")
    if (entry is None and amounts) or (entry is not None and changes):
        raise InputError(
            "An entry is corrected with --drops, --ml, --grams, --stock, --void or --at; the lot without ENTRY."
        )
    book = session.open_book()
    story = book.lots.story(lot)
    if entry is None:
        if "label_lines" in changes:  # what was not typed stays
            changes["label_lines"] = story.lot.label_lines | changes["label_lines"]
        done: Any = book.lots.amend(story.lot.id, reason or "", **changes, **who)
        line = f"Corrected: {tell_changes(done.changes)}."
        return _answer_entry(session, book, done, {"changes": done.changes}, line)
    wanted = next((known for known in story.events if str(known.id) == entry.strip()), None)
    if wanted is None:
        raise InputError(f"Lot {story.lot.id} has no entry {entry}. See: colourmatch lot show {story.lot.id}")
    return _correct_entry(session, book, wanted, amounts, {"reason": reason or "", **who})


def _correct_entry(session: Session, book: LotBook, wanted: LotEntry, amounts: Data, who: Who) -> Answer:
    if "at" in amounts:
        if len(amounts) > 1:
            raise InputError("Put the time right by itself: give --at without an amount, a stock or --void.")
        day = datetime.fromisoformat(wanted.happened_at).astimezone().date()
        moved = book.entries.move(wanted.id, opt.parse_moment(amounts["at"], day), **who)
        data = {"moved_entry": wanted.id, "happened_at": moved.moved_to, "reason": moved.reason}
        line = f"{tell_entry(moved)}. It counts there now, by entry {moved.id}."
        return _answer_entry(session, book, moved, data, line)
    is_volume = wanted.kind in ("sample", "untinted", "poured-back")
    if is_volume and (amounts.keys() - {"ml", "void"} or not amounts):
        raise InputError(f"Entry {wanted.id} is a volume. Correct it with --ml, or with --void.")
    kind: Any = book.volumes if is_volume else book.additions
    done = kind.correct(wanted.id, **amounts, **who)
    data = pick(done, *(_VOLUME if is_volume else _ADDITION), "void")
    data |= {"replaces": wanted.id, "reason": done.reason}
    line = f"Entry {wanted.id} is replaced by entry {done.id}: {tell_entry(done)}."
    return _answer_entry(session, book, done, data, line)


@click.command(cls=Command, example="colourmatch lot answer 1 --yes")
@click.argument("lot")
@click.option("--yes/--no", default=None, help="It was so: put it right. Or it was not: do not ask again.")
@opt.text("--cause", "CODE", "Which, where two are named; else the first.")
@opt.who
def answer(session: Session, lot: str, yes: bool | None, cause: str | None, who: Who) -> Answer:
    """Answer what the advice asks: whether something went wrong by hand.

    Yes writes the entry that puts it right. Nothing is deleted.
    """
    from colourmatch.workflow.lot import answer_question

    if yes is None:
        raise InputError("Say --yes or --no.")
    book = session.open_book()
    entry = answer_question(book, lot, yes=yes, cause=cause, **who)
    return answer_advised(book, entry, {"kind": entry.kind})


def answer_advised(book: LotBook, entry: Any, data: Data, line: str = "") -> Answer:
    """An entry after which the lot is advised otherwise, and how; `line`: the entry in words of its own."""
    from colourmatch.workflow.describing import describe_lot

    told = describe_lot(book, entry.lot_id)
    shown = {"lot": entry.lot_id, "entry": entry.id, **data, "advice": told["advice"]}
    advised = advice_lines(told["advice"], entry.lot_id, told["tolerance"], closed=told["closed"])
    return Answer(shown, [line or f"{tell_entry(entry)}.", *advised])


@click.command("set-aside", cls=Command, example="colourmatch lot set-aside 1 7 --why 'a lamp shone in'")
@click.argument("lot")
@click.argument("photo")
@opt.text("--why", "TEXT", "What is wrong with it, in a few words.", required=True)
@opt.flag("--take-back", "Let a photo that was set aside count again.")
@opt.who
def set_aside(session: Session, lot: str, photo: str, why: str, take_back: bool, who: Who) -> Answer:
    """Leave a photo that lies apart out of all that is said of a lot.

    Nothing is deleted. PHOTO is its entry, from `colourmatch lot show LOT`, or the name of its file.
    """
    book = session.open_book()
    entry = book.photos.set_aside(book.lots.get(lot).id, photo, why, back=take_back, **who)
    data = {"photo_entry": entry.photo_entry_id, "set_aside": not entry.back, "why": entry.reason}
    return answer_advised(book, entry, data)


@click.command(cls=Command, example="colourmatch lot reopen 1 --reason 'closed the wrong one'")
@click.argument("lot")
@opt.text("--reason", "TEXT", "Why, in a few words.")
@opt.who
def reopen(session: Session, lot: str, reason: str | None, who: Who) -> Answer:
    """Open a closed lot again.

    Its closing stays in the story. What it taught of the stocks is taken back until it is closed again.
    """
    book = session.open_book()
    entry = book.lots.reopen(book.lots.get(lot).id, reason or "", **who)
    line = f"Lot {entry.lot_id} is open again: {entry.reason}. Its closing, entry {entry.closing_entry_id}, stays in its story."
    data = {"closing_entry": entry.closing_entry_id, "reason": entry.reason}
    data["closed"] = book.lots.get(entry.lot_id).closed
    return answer_advised(book, entry, data, line)
