"""References on the command line: from photos, as an entered colour, from an own lot; choose a reading."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from colourmatch.commands.afterwards import answer_entries
from colourmatch.commands.framework import Answer, Group, Number, Session, Sized, Table, by_option
from colourmatch.commands.lines import reference_lines
from colourmatch.commands.photos import card_name_option, light_option, note_progress
from colourmatch.commands.typed import Lab
from colourmatch.errors import InputError
from colourmatch.words.figures import tell_lab


@click.group(cls=Group)
def reference() -> None:
    """References: what lots are tinted to, over time."""


@reference.command(example="colourmatch reference add 'The bottle' photo.jpg --dilution 5")
@click.argument("name")
@click.argument("photos", nargs=-1, metavar="[PHOTO...]")
@click.option("--spot", type=click.Choice(["reference", "batch"]), default="reference", show_default=True)
@click.option("--lab", type=Lab(), metavar="L,a,b", help="Instead of photos: its CIELAB (D65, 2 degrees).")
@click.option("--lab-sd", type=Lab(), metavar="L,a,b", help="How unsure that is [default: 2 each].")
@click.option("--from-lot", metavar="LOT", help="Instead of photos: the final colour of an own lot.")
@click.option("--depth-mm", type=Sized("depth"), help="Depth of liquid it is looked at in [default: 10].")
@click.option("--dilution", type=Number(), help="5: 1 part made up to 5 with water [default: 1].")
@card_name_option
@light_option
@click.option("--note", metavar="TEXT", default="", help="A remark, such as where the bottle stands.")
@by_option
def add(
    session: Session, name: str, photos: tuple[str, ...], note: str, by: str | None, **given: Any
) -> Answer:
    """Note a reference, or read one again: from photos, as an entered colour, or from an own lot."""
    lab, lot = given["lab"], given["from_lot"]
    how = {key: given[name] for key, name in (("card", "card_name"), ("light", "light")) if given[name]}
    if () in (lab, given["lab_sd"]):
        raise InputError("A reference needs a colour, not none. Give --lab L,a,b, such as 60,45,30.")
    if sum((bool(photos), lab is not None, lot is not None)) != 1:
        raise InputError("Say it in one way: PHOTO..., --lab with the colour, or --from-lot with an own lot.")
    if given["lab_sd"] is not None and lab is None:
        raise InputError("--lab-sd goes with --lab. Leave it out: photos bring their own.")
    if how and not photos:
        raise InputError("--card-name and --light are for photos. Leave them out.")
    view = {key: given[key] for key in ("depth_mm", "dilution") if given[key] is not None}
    if lot is not None:
        if view or note:
            raise InputError(
                "An own lot brings its depth, dilution and note. Leave them out with --from-lot."
            )
        return _add_lot(session, name, lot, by)
    if lab is not None:
        from colourmatch.workflow.references import enter_reference

        with session.open_book(begins=True) as book:
            told = enter_reference(book, name, lab, lab_sd=given["lab_sd"], notes=note, entered_by=by, **view)
        return Answer(told, list(reference_lines(told)))
    return _add_photos(session, (name, given["spot"]), photos, view | how | {"notes": note, "entered_by": by})


def _add_photos(
    session: Session, place: tuple[str, str], photos: tuple[str, ...], given: dict[str, Any]
) -> Answer:
    from colourmatch.workflow.references import record_reference

    (name, spot), found, told = place, [], {}
    with session.open_book(begins=True) as book:
        for number, path in enumerate(photos, 1):
            told = record_reference(book, name, [Path(path)], spot, **given)
            found += told["photos"]
            note_progress(session, (number, len(photos)), found[-1] | {"error": found[-1].get("note")})
    lines = [
        f"{one['photo']} was noted before, as reading {one['reading']}: it counts once."
        for one in found
        if one.get("repeated")
    ]
    lines += reference_lines(told) if told["reference"] else []
    return answer_entries(found, told | {"photos": found}, lines, "reading")


def _add_lot(session: Session, name: str, lot: str, by: str | None) -> Answer:
    from colourmatch.workflow.references import read_reference, target_from_lot

    with session.open_book() as book:
        source = book.lots.get(lot).id
        made = target_from_lot(book, source, name=name, entered_by=by)
        told = read_reference(book, made["reference"]) | {"source": source, "reading": made["reading"]}
    return Answer(told, list(reference_lines(told)))


@reference.command("list", example="colourmatch reference list")
def list_(session: Session) -> Answer:
    """List the references."""
    from colourmatch.workflow.references import read_reference

    with session.read_book(needed=False) as book:
        found = [read_reference(book, known.id) for known in book.references.all()]
    if not found:
        line = "No reference is noted. Note one: colourmatch reference add NAME PHOTO"
        return Answer({"references": []}, [line])
    rows = [
        (
            str(one["reference"]),
            one["name"],
            str(len(one["readings"])),
            one["readings"][-1]["at"][:10] if one["readings"] else "-",
            tell_lab(one["readings"][-1]["lab"], one["readings"][-1]["lab_sd"]) if one["readings"] else "-",
        )
        for one in found
    ]
    return Answer({"references": found}, [Table(("id", "name", "readings", "latest", "colour"), rows)])


@reference.command(example="colourmatch reference show 'The bottle'")
@click.argument("name")
def show(session: Session, name: str) -> Answer:
    """Show the readings of a reference in time, and whether it holds its colour."""
    from colourmatch.workflow.references import read_reference

    with session.read_book() as book:
        told = read_reference(book, name)
    return Answer(told, list(reference_lines(told)))


@reference.command(example="colourmatch reference choose 'The bottle' --lot 1 --reading first")
@click.argument("name")
@click.option("--lot", metavar="LOT", required=True, help="The open lot that is tinted to it.")
@click.option(
    "--reading",
    metavar="first|latest|mean|ID",
    default="latest",
    show_default=True,
    help="Which of its readings, of the lot's own depth and dilution.",
)
@by_option
def choose(session: Session, name: str, lot: str, reading: str, by: str | None) -> Answer:
    """Tint a lot to a reading of a reference.

    It counts for photos on which no reference stands; a reference in the photo counts before it.
    """
    from colourmatch.workflow.references import choose_reading

    with session.open_book() as book:
        told = choose_reading(book, book.lots.get(lot).id, name, reading, entered_by=by)
    spread = tell_lab(told["target_lab"], told["target_lab_sd"])
    which = f"the {reading}" if reading in ("first", "latest") else reading
    which = f"reading {reading}" if which.isdecimal() else f"{which} reading"
    which = "the mean of its readings" if reading == "mean" else which
    return Answer(told, [f"Lot {told['lot']} is tinted to {told['name']}, {which}: {spread}."])
