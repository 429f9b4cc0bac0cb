"""The lot book as a whole: check it, back it up, restore it."""

from __future__ import annotations

from dataclasses import asdict

import click

from colourmatch.commands.framework import Answer, Group, Session, text_option

_OTHER_HASH = (
    "Type it again; if it is right, the lot was altered since the sheet was printed: restore the last backup."
)


@click.group(cls=Group)
def book() -> None:
    """The lot book: check, back up, restore."""


@book.command(example="colourmatch book check --book lots.sqlite")
@click.option(
    "--hash", "sha256", metavar="HASH", help="The last hash on a lot's sheet, to hold the book against."
)
def check(session: Session, sha256: str | None) -> Answer:
    """Check the book and its photos.

    Exit 2 when something is wrong.
    """
    from colourmatch.book.archive import Finding

    with session.read_book() as opened:
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
        text += f" ({len(findings) - 1} more)"
    data["error"] = {"code": "book", "text": text}
    return Answer(data, [f"{f.code}: {f.text}" for f in findings], 2, text)


@book.command(example="colourmatch book backup --out lots-backup.zip")
@text_option("--out", "FILE", "The .zip to write, the photos in it.", required=True)
def backup(session: Session, out: str) -> Answer:
    """Write book and photos into one .zip.

    The book may be in use meanwhile.
    """
    with session.read_book() as opened:
        report = opened.archive.backup(out)
        data = {"book": opened.place, **asdict(report)}
        data["out"] = str(data.pop("path"))
    lines = [f"Wrote {report.path} with {report.photos} photo{'' if report.photos == 1 else 's'}."]
    if report.missing:
        lines.append(
            f"{len(report.missing)} photos were not in the photo folder: {', '.join(report.missing[:3])}"
        )
    if report.damaged:
        lines.append(
            f"{len(report.damaged)} photos were changed since they were kept, and are not in it: "
            f"{', '.join(report.damaged[:3])}. If they are still on the phone, add them to their lots again."
        )
    return Answer(data, lines)


@book.command(example="colourmatch book restore lots-backup.zip --book restored.sqlite")
@click.argument("archive")
@click.option("--leave-out-damaged", is_flag=True, help="Restore it without photos that are damaged in it.")
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
