"""References on the command line: from photos, as an entered colour, from an own lot; choose a reading."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Data, Group, Session, Table, Who, answer_list
from colourmatch.commands.lines import reference_lines
from colourmatch.commands.photos import answer_entries, reading_options, record_each
from colourmatch.errors import InputError
from colourmatch.words.figures import tell_lab
from colourmatch.workflow import references


@click.group(cls=Group)
def reference() -> None:
    """References: what lots are tinted to, over time."""


@reference.command(example="colourmatch reference add 'The bottle' photo.jpg --dilution 5")
@click.argument("name")
@click.argument("photos", nargs=-1, metavar="[PHOTO...]")
@click.option("--spot", type=click.Choice(["reference", "batch"]), default="reference", show_default=True)
@opt.text("--lab", "L,a,b", "Instead of photos: its CIELAB (D65, 2 degrees).", type=opt.LAB)
@opt.text("--lab-sd", "L,a,b", "How unsure that is [default: 2 each].", type=opt.LAB)
@opt.text("--from-lot", "LOT", "Instead of photos: the final colour of an own lot.")
@opt.amount("--depth-mm", "depth", "Depth of liquid it is looked at in [default: 10].")
@opt.number("--dilution", "5: 1 part made up to 5 with water [default: 1].")
@reading_options
@opt.text("--note", "TEXT", "A remark, such as where the bottle stands.", default="")
@opt.by
def add(session: Session, name: str, photos: tuple[str, ...], note: str, who: Who, **given: Any) -> Answer:
    """Note a reference, or read one again: from photos, as an entered colour, or from an own lot."""
    lab, lot, lab_sd = given["lab"], given["from_lot"], given["lab_sd"]
    how = {key: given[name] for key, name in (("card", "card_name"), ("light", "light")) if given[name]}
    if () in (lab, lab_sd):
        raise InputError("A reference needs a colour, not none. Give --lab L,a,b, such as 60,45,30.")
    if sum((bool(photos), lab is not None, lot is not None)) != 1:
        raise InputError("Say it in one way: PHOTO..., --lab with the colour, or --from-lot with an own lot.")
    if lab_sd is not None and lab is None:
        raise InputError("--lab-sd goes with --lab. Leave it out: photos bring their own.")
    if how and not photos:
        raise InputError("--card-name and --light are for photos. Leave them out.")
    view = {key: given[key] for key in ("depth_mm", "dilution") if given[key] is not None}
    if lot is not None and (view or note):
        raise InputError("An own lot brings its depth, dilution and note. Leave them out with --from-lot.")
    book = session.open_book(begins=lot is None)
    if lot is not None:
        source = book.lots.get(lot).id
        made = references.target_from_lot(book, source, name=name, **who)
        known = references.read_reference(book, made.reference_id)
        return _answer(known, source=source, reading=made.id)
    if lab is not None:
        return _answer(references.enter_reference(book, name, lab, lab_sd=lab_sd, notes=note, **view, **who))

    def record(path: str, who: Who) -> Data:
        (sent,) = references.record_reference(book, name, [Path(path)], given["spot"], notes=note, **view, **how, **who)
        return sent.to_json("reading")

    found = record_each(session, photos, who, record)
    again = [one for one in found if one.get("repeated")]
    lines = [f"{one['photo']} was noted before, as reading {one['reading']}: it counts once." for one in again]
    told: Data = {"reference": None, "name": name, "readings": [], "text": "Nothing was recorded."}
    if references.find_reference(book, name):
        known = references.read_reference(book, name)
        told, lines = known.to_json(), [*lines, *reference_lines(known)]
    return answer_entries(found, told | {"photos": found}, lines, "reading")


def _answer(known: references.KnownReference, **more: int) -> Answer:
    return Answer(known.to_json() | more, list(reference_lines(known)))


@reference.command("list", example="colourmatch reference list")
def list_(session: Session) -> Answer:
    """List the references."""
    book = session.read_book(needed=False)
    found = [references.read_reference(book, known.id) for known in book.references.all()]
    latest = [one.readings[-1] if one.readings else None for one in found]
    rows = [
        (
            str(one.reference), one.name, str(len(one.readings)), last.at[:10] if last else "-",
            tell_lab(last.lab, last.lab_sd) if last else "-",
        )
        for one, last in zip(found, latest, strict=True)
    ]  # fmt: skip
    table = Table(("id", "name", "readings", "latest", "colour"), rows)
    none = "No reference is noted. Note one: colourmatch reference add NAME PHOTO"
    return answer_list("references", [one.to_json() for one in found], table, none)


@reference.command(example="colourmatch reference show 'The bottle'")
@click.argument("name")
def show(session: Session, name: str) -> Answer:
    """Show the readings of a reference in time, and whether it holds its colour."""
    return _answer(references.read_reference(session.read_book(), name))


@reference.command(example="colourmatch reference choose 'The bottle' --lot 1 --reading first")
@click.argument("name")
@opt.text("--lot", "LOT", "The open lot that is tinted to it.", required=True)
@opt.text(
    "--reading", "first|latest|mean|ID", "Which of its readings, of the lot's own depth and dilution.",
    default="latest", show_default=True,
)  # fmt: skip
@opt.by
def choose(session: Session, name: str, lot: str, reading: str, who: Who) -> Answer:
    """Tint a lot to a reading of a reference.

    It counts for photos on which no reference stands; a reference in the photo counts before it.
    """
    book = session.open_book()
    told = references.choose_reading(book, book.lots.get(lot).id, name, reading, **who)
    spread = tell_lab(told.target_lab, told.target_lab_sd)
    return Answer(told.to_json(), [f"Lot {told.lot} is tinted to {told.called}: {spread}."])
