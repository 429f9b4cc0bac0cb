"""Papers and files: the lot sheet, labels, tables for spreadsheets; the book as a whole: checked, backed up, restored."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path

import click

from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Command, Group, Session
from colourmatch.errors import BookError, InputError
from colourmatch.files import replace_text, what_to_do


@click.command(cls=Command, example="colourmatch lot sheet 1 --out lot.pdf")
@click.argument("lot")
@opt.text("--out", "FILE", "The PDF to write.", required=True)
@opt.paper
def sheet(session: Session, lot: str, out: str, paper: str) -> Answer:
    """Write a lot's sheet as PDF: all that was written down, charts, ceilings, label, a place to sign."""
    from colourmatch.paper.sheet import write_lot_sheet

    book = session.read_book()
    head = book.lots.get(lot)
    write_lot_sheet(book, head.id, out, paper)
    data = {"lot": head.id, "number": head.label, "out": out, "paper": paper}
    return Answer(data, [f"Wrote {out}, the sheet of lot {head.label}."])


@click.command(cls=Command, example="colourmatch lot label 1 --out label.pdf --copies 12")
@click.argument("lot")
@opt.text("--out", "FILE", "A PDF of labels to cut out; without it the text alone.")
@click.option("--copies", type=click.IntRange(1, 1000), help="How many labels [default: a page full of them].")
@opt.paper
def label(session: Session, lot: str, out: str | None, copies: int | None, paper: str) -> Answer:
    """The label of a lot: drink, lot, date, colours that went in, warning, allergen, your own lines; on paper with a QR code.

    Your own lines are those of `lot new` or `lot correct`: --ingredients, --contents, --best-before, --producer, --keeping.
    The colours are merged into the ingredients. Nobody checks them: what the law asks for is yours to know.
    """
    from colourmatch.workflow.label_lines import NOT_CHECKED, read_label_lines

    if copies is not None and out is None:
        raise InputError("--copies is for labels on paper. Give --out with a PDF to write.")
    book = session.read_book()
    head = book.lots.get(lot)
    lines = read_label_lines(book.lots.story(head.id))
    text = "\n".join(lines.all())
    if out is not None:
        from colourmatch.paper.labels import write_label_page

        write_label_page(book, head.id, out, copies, paper)
    data = {"lot": head.id, "number": head.label, "text": text, "lines": text.splitlines()}
    data |= {"out": out, "copies": copies, "unchecked": list(lines.own)}
    if lines.own:
        session.note(NOT_CHECKED)
    return Answer(data, [*text.splitlines(), *([] if out is None else [f"Wrote {out}."])])


#: Endings of other formats that a person may hope for.
_NO_ENDINGS = (".xlsx", ".xls", ".ods", ".pdf", ".zip", ".sqlite", ".db")


@click.command(cls=Command, example="colourmatch lot export --out lots.csv")
@opt.text("--out", "FILE", "A .csv for spreadsheets, or a .json of the whole book.", required=True)
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
    archive = session.read_book().archive
    if out == "-":
        archive.export_csv(sys.stdout, rows)
        return Answer({})
    try:
        with replace_text(out) as stream:
            count = archive.export_json(stream) if ending == ".json" else archive.export_csv(stream, rows)
    except OSError as error:
        todo = what_to_do(error, "Give another file.")
        raise BookError(f"{out} cannot be written: {error.strerror or error}. {todo}") from None
    return Answer({"out": out, "rows": count}, [f"Wrote {out} with {count} rows."])


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
        with Path(file).open(encoding="utf-8") as stream:
            book = session.open_book(begins=True)
            rows = book.archive.import_json(stream)
            data = {"book": book.place, "rows": rows, "lots": book.lots.count()}
    except OSError as error:
        raise InputError(f"{file} cannot be read: {error.strerror or error}. Give another file.") from None
    return Answer(data, [f"Read {rows} rows with {data['lots']} lots into {data['book']}."])


_OTHER_HASH = "Type it again; if it is right, the lot was altered since the sheet was printed: restore the last backup."


@click.group(cls=Group)
def book() -> None:
    """The lot book: check, back up, restore."""


@book.command(example="colourmatch book check --book lots.sqlite")
@click.option("--hash", "sha256", metavar="HASH", help="The last hash on a lot's sheet, to hold the book against.")
def check(session: Session, sha256: str | None) -> Answer:
    """Check the book and its photos.

    Exit 2 when something is wrong.
    """
    from colourmatch.book.archive import Finding

    opened = session.read_book()
    findings, place = opened.archive.check(), opened.place
    held = None if sha256 is None else opened.archive.find_hash(sha256)
    if sha256 is not None and held is None:
        findings.append(Finding("hash", f"No lot here has the hash {sha256[:80]}. {_OTHER_HASH}"))
    data = {
        "book": place,
        "ok": not findings,
        "findings": [{"code": f.code, "text": f.text} for f in findings],
        "hash": held and {"lot": held[0], "entry": held[1]},
    }
    if not findings:
        upto = f" up to entry {held[1]}" if held and held[1] else ""
        of = f" The hash is that of lot {held[0]}{upto}." if held else ""
        return Answer(data, [f"{place} is in order.{of}"])
    text = f"{place}: {findings[0].text}"
    if len(findings) > 1:
        text += f" {len(findings) - 1} more {'is' if len(findings) == 2 else 'are'} listed."
    data["error"] = {"code": "book", "text": text}
    return Answer(data, [f"{f.code}: {f.text}" for f in findings], 2, text)


@book.command(example="colourmatch book backup --out lots-backup.zip")
@opt.text("--out", "FILE", "The .zip to write, the photos in it.", required=True)
def backup(session: Session, out: str) -> Answer:
    """Write book and photos into one .zip.

    The book may be in use meanwhile.
    """
    opened = session.read_book()
    report = opened.archive.backup(out)
    data = {"book": opened.place, **asdict(report)}
    data["out"] = str(data.pop("path"))
    lines = [f"Wrote {report.path} with {report.photos} photo{'' if report.photos == 1 else 's'}."]
    if report.missing:
        lines.append(f"{len(report.missing)} photos were not in the photo folder: {', '.join(report.missing[:3])}")
    if report.damaged:
        lines.append(
            f"{len(report.damaged)} photos were changed since they were kept, and are not in it: "
            f"{', '.join(report.damaged[:3])}. If they are still on the phone, add them to their lots again."
        )
    return Answer(data, lines)


@book.command(example="colourmatch book restore lots-backup.zip --book restored.sqlite")
@click.argument("archive")
@opt.flag("--leave-out-damaged", "Restore it without photos that are damaged in it.")
def restore(session: Session, archive: str, leave_out_damaged: bool) -> Answer:
    """Put a backup back at --book.

    There must be no book there yet.
    """
    from colourmatch.book.opening import find_location
    from colourmatch.book.restoring import restore_book

    left_out: list[str] = []
    leave_out = left_out.append if leave_out_damaged else None
    with restore_book(archive, find_location(session.book), leave_out=leave_out) as opened:
        data = {"book": opened.place, "lots": opened.lots.count(), "left_out": left_out}
    without = f" without {len(left_out)} damaged photos" if left_out else ""
    return Answer(data, [f"Restored {data['lots']} lots to {data['book']}{without}."])
