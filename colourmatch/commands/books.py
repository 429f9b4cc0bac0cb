"""The lot book as a whole: check it, back it up, restore it."""

from __future__ import annotations

import click

from colourmatch.commands.framework import Answer, Group, Session


@click.group(cls=Group)
def book() -> None:
    """The lot book: check, back up, restore."""


@book.command(example="colourmatch book check --book lots.sqlite")
def check(session: Session) -> Answer:
    """Check the book and its photos.

    Exit 2 when something is wrong.
    """
    with session.read_book() as opened:
        findings, place = opened.archive.check(), opened.place
    data = {
        "book": place,
        "ok": not findings,
        "findings": [{"code": f.code, "text": f.text} for f in findings],
    }
    if not findings:
        return Answer(data, [f"{place} is in order."])
    text = f"{place}: {findings[0].text}"
    if len(findings) > 1:
        text += f" ({len(findings) - 1} more)"
    data["error"] = {"code": "book", "text": text}
    return Answer(data, [f"{f.code}: {f.text}" for f in findings], 2, text)


@book.command(example="colourmatch book backup --out lots-backup.zip")
@click.option("--out", metavar="FILE", required=True, help="The .zip to write, the photos in it.")
def backup(session: Session, out: str) -> Answer:
    """Write book and photos into one .zip.

    The book may be in use meanwhile.
    """
    with session.read_book() as opened:
        report = opened.archive.backup(out)
        data = {
            "book": opened.place,
            "out": str(report.path),
            "photos": report.photos,
            "missing": list(report.missing),
            "damaged": list(report.damaged),
        }
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
