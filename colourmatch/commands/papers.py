"""Lots as papers and files: the lot sheet, labels, tables for spreadsheets, the whole book as JSON."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from colourmatch.commands.framework import Answer, Command, Session, paper_option, text_option
from colourmatch.errors import BookError, InputError
from colourmatch.writing import replace_text, what_to_do

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook


@click.command(cls=Command, example="colourmatch lot sheet 1 --out lot.pdf")
@click.argument("lot")
@text_option("--out", "FILE", "The PDF to write.", required=True)
@paper_option
def sheet(session: Session, lot: str, out: str, paper: str) -> Answer:
    """Write a lot's sheet as PDF: all that was written down, charts, ceilings, label, a place to sign."""
    from colourmatch.paper.sheet import write_lot_sheet

    with session.read_book() as book:
        head = book.lots.get(lot)
        write_lot_sheet(book, head.id, out, paper)
    data = {"lot": head.id, "number": head.label, "out": out, "paper": paper}
    return Answer(data, [f"Wrote {out}, the sheet of lot {head.label}."])


@click.command(cls=Command, example="colourmatch lot label 1 --out label.pdf --copies 12")
@click.argument("lot")
@text_option("--out", "FILE", "A PDF of labels to cut out; without it the text alone.")
@click.option(
    "--copies", type=click.IntRange(1, 1000), help="How many labels [default: a page full of them]."
)
@paper_option
def label(session: Session, lot: str, out: str | None, copies: int | None, paper: str) -> Answer:
    """The label of a lot: drink, lot, date, colours that went in, warning, allergen, your own lines; on paper with a QR code.

    Your own lines are those of `lot new` or `lot correct`: --ingredients, --contents, --best-before, --producer, --keeping.
    The colours are merged into the ingredients. Nobody checks them: what the law asks for is yours to know.
    """
    from colourmatch.paper.labels import write_label_page
    from colourmatch.workflow.label_lines import NOT_CHECKED, read_label_lines

    if copies is not None and out is None:
        raise InputError("--copies is for labels on paper. Give --out with a PDF to write.")
    with session.read_book() as book:
        head = book.lots.get(lot)
        lines = read_label_lines(book.lots.story(head.id))
        text = "\n".join(lines.all())
        if out is not None:
            write_label_page(book, head.id, out, copies, paper)
    data = {"lot": head.id, "number": head.label, "text": text, "lines": text.splitlines()}
    data |= {"out": out, "copies": copies, "unchecked": list(lines.own)}
    if lines.own:
        session.note(NOT_CHECKED)
    return Answer(data, [*text.splitlines(), *([] if out is None else [f"Wrote {out}."])])


#: Endings of other formats that a person may hope for.
_NO_ENDINGS = (".xlsx", ".xls", ".ods", ".pdf", ".zip", ".sqlite", ".db")


@click.command(cls=Command, example="colourmatch lot export --out lots.csv")
@text_option("--out", "FILE", "A .csv for spreadsheets, or a .json of the whole book.", required=True)
@click.option(
    "--rows", type=click.Choice(["lots", "entries"]), default="lots", show_default=True,
    help="A row each of these in a .csv.",
)  # fmt: skip
def export(session: Session, out: str, rows: str) -> Answer:
    """Write lots or entries as a table, or the whole book as JSON, to a file.

    --out - is the standard output, as CSV.
    """
    if out == "-" and session.as_json:
        raise InputError("--json and --out - both want the standard output. Give a file with --out.")
    ending = Path(out).suffix.lower()
    if ending in _NO_ENDINGS:
        # A table under such a name would be refused as broken by the program that opens it.
        raise InputError(f"An export is no {ending} file. Name it .csv, which spreadsheets open, or .json.")
    with session.read_book() as book:
        count = _write_export(book, out, rows)
    if out == "-":
        return Answer({})
    return Answer({"out": out, "rows": count}, [f"Wrote {out} with {count} rows."])


def _write_export(book: LotBook, out: str, rows: str) -> int:
    if out == "-":
        return book.archive.export_csv(sys.stdout, rows)
    try:
        with replace_text(out) as stream:
            as_json = Path(out).suffix.lower() == ".json"
            return book.archive.export_json(stream) if as_json else book.archive.export_csv(stream, rows)
    except OSError as error:
        todo = what_to_do(error, "Give another file.")
        raise BookError(f"{out} cannot be written: {error.strerror or error}. {todo}") from None


@click.command("import", cls=Command, example="colourmatch lot import book.json --book new.sqlite")
@click.argument("file")
def import_(session: Session, file: str) -> Answer:
    """Read the JSON of a whole book into --book, which must be empty: ids and times stay as they were.

    Photos are not in the JSON; a backup has them (book backup, book restore). A .csv is for spreadsheets and
    holds too little to be read back.
    """
    if Path(file).suffix.lower() == ".csv":
        raise InputError(
            f"{file} is a table for spreadsheets and holds too little to be read back. Give the .json that "
            "`colourmatch lot export --out book.json` wrote."
        )
    try:
        if not Path(file).is_file():
            raise InputError(f"There is no file {file}. Look up its name.")
        with Path(file).open(encoding="utf-8") as stream, session.open_book(begins=True) as book:
            rows = book.archive.import_json(stream)
            data = {"book": book.place, "rows": rows, "lots": book.lots.count()}
    except OSError as error:
        raise InputError(f"{file} cannot be read: {error.strerror or error}. Give another file.") from None
    return Answer(data, [f"Read {rows} rows with {data['lots']} lots into {data['book']}."])
