"""Photos without a lot: print the card, measure photos; it knows no pixels, only the order of files."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from itertools import repeat
from pathlib import Path
from typing import Any

import click

from colourmatch.commands import DEBUG
from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Command, Data, Session, Who
from colourmatch.commands.lines import combined_lines, measurement_lines
from colourmatch.errors import InputError, PhotoError

#: From so many photos on it pays to start a process for each core.
_MANY = 4


@click.command(cls=Command, uses_book=False, example="colourmatch card --paper a4 --out card.pdf")
@opt.paper
@opt.flag("--fields", "With colour fields under the glasses, for a colour printer.")
@opt.text("--out", "FILE", "Where to write the PDF [default: card.pdf; with --fields card-fields.pdf].")
def card(session: Session, paper: str, fields: bool, out: str | None) -> Answer:
    """Write the card to print: lay it flat, set the glasses on its rings, photograph from straight above."""
    from colourmatch.paper.card import write_card_pdf

    version = 2 if fields else 1
    out = out or ("card-fields.pdf" if fields else "card.pdf")
    write_card_pdf(paper, out, version)
    printer = " with a colour printer" if fields else ""
    advice = f"Print it{printer} at actual size (100 %, no fitting to the page) on plain matt paper."
    return Answer({"paper": paper, "out": out, "version": version}, [f"Wrote {out}. {advice}"])


#: Where white and liquids are on a photo without the printed card.
rectangle_options = opt.join(
    opt.text("--white", "X,Y,W,H", "Without the card: white or grey paper, in pixels.", type=opt.RECTANGLE),
    opt.number("--white-reflectance", "0.18 for the usual grey card [default: 1, white].", metavar="PART"),
    opt.text("--reference", "X,Y,W,H", "Without the card: the reference liquid.", type=opt.RECTANGLE),
    opt.text("--batch", "X,Y,W,H", "Without the card: the batch.", type=opt.RECTANGLE),
)


def take_rectangles(given: Data) -> Data:
    """The rectangles that were typed, taken out of the options; empty for a photo with the printed card."""
    typed = opt.take(given, "white", "white_reflectance", "reference", "batch")
    if typed and ("white" not in typed or not typed.keys() & {"reference", "batch"}):
        raise InputError("A photo without the card needs --white and at least one of --reference and --batch.")
    return typed


#: What photos are read with, on the commands that take photos.
reading_options = opt.join(
    opt.text("--card-name", "NAME", "The printed card, when its greys are in the book (card-profile)."),
    opt.text("--light", "NAME", "The light, when the phone is calibrated in it (phone), such as window."),
)


@click.command(cls=Command, example="colourmatch measure first.jpg second.heic --same --json")
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...")
@rectangle_options
@reading_options
@opt.flag("--same", "All show the same two liquids: also say what they give together.")
def measure(session: Session, photos: tuple[str, ...], same: bool, **given: Any) -> Answer:
    """Measure photos: how far apart batch and reference are, in what direction, how sure that is.

    The rectangles are for photos without the printed card: give --white and both liquids.
    """
    card, light = given.pop("card_name"), given.pop("light")
    rectangles = take_rectangles(given)
    if rectangles and (card or light):
        raise InputError("--card-name and --light are for photos of the printed card. Leave the rectangles out.")
    from colourmatch.measurement import Measurement

    if card or light:
        from colourmatch.instrument.incoming import open_reader

        reader = open_reader(session.read_book(), card, light)
        read = note_each(session, measure_all(photos, rectangles, reader.greys), len(photos))
        found = [reader.finish(Measurement.from_json(result)).to_json() for result in read]
    else:
        found = list(note_each(session, measure_all(photos, rectangles), len(photos)))
    if not same:
        return answer_photos(found, found[0] if len(found) == 1 else {"photos": found})
    from colourmatch.photo.combine import combine_photos

    combined = combine_photos([Measurement.from_json(one) for one in found])
    told = combined.record().to_json() if combined else None
    answer = answer_photos(found, {"photos": found, "combined": told})
    return answer._replace(text=[*answer.text, *combined_lines(told)])


def note_each(session: Session, results: Iterable[Data], total: int) -> Iterator[Data]:
    """Hand results of several photos on as they come, each with a line on stderr; on a terminal a bar below counts them."""
    if total > 1 and sys.stderr.isatty():  # other programs read the lines
        from rich.console import Console
        from rich.progress import track

        # lines printed meanwhile appear above the bar; when all is done the bar goes
        results = track(results, "Measuring photos", total, console=Console(stderr=True), transient=True)
    for number, result in enumerate(results, 1):
        if total > 1:
            why = result.get("error") or result.get("note")
            session.note(f"Photo {number} of {total}, {result['photo']}{f': {why}' if why else ''}")
        yield result


def record_each(session: Session, photos: Sequence[str], who: Who, record: Callable[[str, Who], Data]) -> list[Data]:
    """Photos recorded one after another, each with a token of its own, and noted; what came of each."""
    many, token = len(photos) > 1, who.get("token")
    own = (who | {"token": f"{token} {k}"} if token and many else who for k in range(1, len(photos) + 1))
    return list(note_each(session, map(record, photos, own), len(photos)))


def answer_entries(found: list[Data], data: Data, lines: list[str], key: str = "entry") -> Answer:
    """The answer for photos that were to be kept: exit 2 when none of them was, with what to do."""
    if not found or any(one[key] is not None for one in found):
        told = [f"{one['photo']}: {one['note']}" for one in found if one["note"]]
        return Answer(data, [*told, *lines])
    text = found[0]["note"] if len(found) == 1 else tell_none("used")
    return Answer(data | {"error": {"code": "photo", "text": text}}, [], 2, text)


def answer_photos(found: list[Data], data: Data) -> Answer:
    """The answer for measured photos: exit 0 when at least one could be measured, else 2 and why."""
    lines = [line for result in found for line in measurement_lines(result)]
    if any(result["error"] is None for result in found):
        return Answer(data, lines)
    code = 1 if any(flag["code"] == "fault" for result in found for flag in result["quality"]) else 2
    if len(found) == 1:
        return Answer(data, [], code, found[0]["error"])
    return Answer(data, [], code, tell_none("measured"))


def tell_none(done: str) -> str:
    """The refusal of several photos, each of which has said why."""
    return f"None of the photos could be {done}. What to do is said with each of them."


def measure_all(photos: tuple[str, ...], rectangles: Data, greys: Any = None) -> Iterator[Data]:
    """One result a photo in the order given, by all cores when there are many; one bad file stops nothing."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if len(photos) < _MANY or cores < 2:
        yield from (measure_one(photo, rectangles, greys) for photo in photos)
        return
    left = list(photos)
    while left:
        for result in _measure_in_pool(left, (rectangles, greys), min(cores, len(left))):
            left.pop(0)
            yield result
        if left:
            # A worker was ended from outside, mostly for want of memory: one photo in one process says which.
            photo = left.pop(0)
            alone = list(_measure_in_pool([photo], (rectangles, greys), 1))
            why = "Measuring this photo needs more memory than there is. Make it smaller."
            yield alone[0] if alone else _refused(photo, why)


def _measure_in_pool(photos: list[str], how: tuple[Data, Any], workers: int) -> Iterator[Data]:
    """Results in order; it ends early when a worker dies."""
    from concurrent.futures.process import BrokenProcessPool, ProcessPoolExecutor
    from multiprocessing import get_context
    from signal import SIG_IGN, SIGINT, signal

    # Not forked: a fork taken while image libraries hold a lock in another thread may hang for ever.
    # Ctrl+C is answered by this process alone.
    pool = ProcessPoolExecutor(workers, get_context("spawn"), signal, (SIGINT, SIG_IGN))
    with pool, suppress(BrokenProcessPool):
        yield from pool.map(measure_one, photos, *map(repeat, how))


def measure_one(photo: str, rectangles: Data, greys: Any = None) -> Data:
    """The JSON of one photo, whatever happens to it: a refusal, and a fault too, is an entry of its own."""
    try:
        if rectangles:
            from colourmatch.photo.rectangles import measure_rectangles_or_refuse

            return measure_rectangles_or_refuse(Path(photo), rectangles).to_json()
        from colourmatch.photo.measure import measure_or_refuse

        return measure_or_refuse(Path(photo), greys=greys).to_json()
    except Exception as error:
        if os.environ.get(DEBUG):
            import traceback

            traceback.print_exc()
        what = " ".join(f"{type(error).__name__}: {error}".split())[:200]
        text = f"A fault of the program stopped this photo: {what}. Take another photo."
        return _refused(photo, text, "fault")


def _refused(photo: str, text: str, code: str = "unreadable") -> Data:
    from colourmatch.photo.measure import refuse

    return refuse(Path(photo).name, PhotoError(text, code)).to_json()
