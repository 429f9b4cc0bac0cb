"""Photos without a lot: print the card, measure photos; it knows no pixels, only the order of files."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import click

from colourmatch.commands.framework import Answer, Command, Number, Rectangle, Session, options
from colourmatch.commands.lines import combined_lines, measurement_lines
from colourmatch.commands.progress import watch
from colourmatch.errors import ColourMatchError, InputError, PhotoError

#: From so many photos on it pays to start a process for each core.
_MANY = 4


@click.command(cls=Command, uses_book=False, example="colourmatch card --paper a4 --out card.pdf")
@click.option(
    "--paper", type=click.Choice(["a4", "letter"], case_sensitive=False), default="a4", show_default=True
)
@click.option("--fields", is_flag=True, help="With colour fields under the glasses, for a colour printer.")
@click.option("--out", metavar="FILE", default="card.pdf", show_default=True, help="Where to write the PDF.")
def card(session: Session, paper: str, fields: bool, out: str) -> Answer:
    """Write the card to print: lay it flat, set the glasses on its rings, photograph from straight above."""
    from colourmatch.paper.card import write_card_pdf

    version = 2 if fields else 1
    write_card_pdf(paper, out, version)
    data = {"paper": paper, "out": out, "version": version}
    printer = " with a colour printer" if fields else ""
    advice = f"Print it{printer} at actual size (100 %, no fitting to the page) on plain matt paper."
    return Answer(data, [f"Wrote {out}. {advice}"])


#: Where white and liquids are on a photo without the printed card.
rectangle_options = options(
    click.option(
        "--white",
        type=Rectangle(),
        metavar="X,Y,W,H",
        help="Without the card: white or grey paper, in pixels.",
    ),
    click.option(
        "--white-reflectance",
        type=Number(),
        metavar="PART",
        help="0.18 for the usual grey card [default: 1, white].",
    ),
    click.option(
        "--reference", type=Rectangle(), metavar="X,Y,W,H", help="Without the card: the reference liquid."
    ),
    click.option("--batch", type=Rectangle(), metavar="X,Y,W,H", help="Without the card: the batch."),
)


def take_rectangles(given: dict[str, Any]) -> dict[str, Any]:
    """The rectangles that were typed, taken out of the options; empty for a photo with the printed card."""
    names = ("white", "white_reflectance", "reference", "batch")
    typed = {name: given.pop(name) for name in names if given.get(name) is not None}
    if typed and ("white" not in typed or not typed.keys() & {"reference", "batch"}):
        raise InputError(
            "A photo without the card needs --white and at least one of --reference and --batch."
        )
    return typed


#: What photos are read with, on the commands that take photos.
card_name_option = click.option(
    "--card-name", metavar="NAME", help="The printed card, when its greys are in the book (card-profile)."
)
light_option = click.option(
    "--light", metavar="NAME", help="The light, when the phone is calibrated in it (phone), such as window."
)


@click.command(cls=Command, example="colourmatch measure first.jpg second.heic --same --json")
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...")
@rectangle_options
@card_name_option
@light_option
@click.option("--same", is_flag=True, help="All show the same two liquids: also say what they give together.")
def measure(session: Session, photos: tuple[str, ...], same: bool, **given: Any) -> Answer:
    """Measure photos: how far apart batch and reference are, in what direction, how sure that is.

    The rectangles are for photos without the printed card: give --white and both liquids.
    """
    card, light = given.pop("card_name"), given.pop("light")
    rectangles = take_rectangles(given)
    if rectangles and (card or light):
        raise InputError(
            "--card-name and --light are for photos of the printed card. Leave the rectangles out."
        )
    from colourmatch.measurement import Measurement

    if card or light:
        with session.read_book() as book:
            from colourmatch.instrument.incoming import open_reader

            reader = open_reader(book, card, light)
            found = [
                reader.finish(Measurement.from_json(result)).to_json()
                for result in _measure_noting(session, photos, rectangles, reader.greys)
            ]
    else:
        found = list(_measure_noting(session, photos, rectangles))
    if not same:
        return answer_photos(found, found[0] if len(found) == 1 else {"photos": found})
    from colourmatch.photo.combine import combine_photos

    combined = combine_photos([Measurement.from_json(one) for one in found])
    told = combined.to_json() if combined else None
    answer = answer_photos(found, {"photos": found, "combined": told})
    return answer._replace(text=[*answer.text, *combined_lines(told)])


def _measure_noting(
    session: Session, photos: tuple[str, ...], rectangles: dict[str, Any], greys: Any = None
) -> Iterator[dict[str, Any]]:
    for number, result in enumerate(watch(measure_all(photos, rectangles, greys), len(photos)), 1):
        note_progress(session, (number, len(photos)), result)
        yield result


def note_progress(session: Session, place: tuple[int, int], result: dict[str, Any]) -> None:
    """A line on stderr for each of several photos, and why one was refused."""
    number, total = place
    if total > 1:
        refused = f": {result['error']}" if result["error"] else ""
        session.note(f"Photo {number} of {total}, {result['photo']}{refused}")


def answer_photos(found: list[dict[str, Any]], data: dict[str, Any]) -> Answer:
    """The answer for measured photos: exit 0 when at least one could be measured, else 2 and why."""
    lines = [line for result in found for line in measurement_lines(result)]
    if any(result["error"] is None for result in found):
        return Answer(data, lines)
    code = 1 if any(flag["code"] == "fault" for result in found for flag in result["quality"]) else 2
    if len(found) == 1:
        return Answer(data, [], code, found[0]["error"])
    return Answer(
        data, [], code, "None of the photos could be measured. What to do is said with each of them."
    )


def measure_all(
    photos: tuple[str, ...], rectangles: dict[str, Any], greys: Any = None
) -> Iterator[dict[str, Any]]:
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
            yield (
                alone[0]
                if alone
                else _refused(photo, "Measuring this photo needs more memory than there is. Make it smaller.")
            )


def _measure_in_pool(
    photos: list[str], how: tuple[dict[str, Any], Any], workers: int
) -> Iterator[dict[str, Any]]:
    """Results in order; it ends early when a worker dies."""
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context
    from signal import SIG_IGN, SIGINT, signal

    # Not forked: a fork taken while image libraries hold a lock in another thread may hang for ever.
    # Ctrl+C is answered by this process alone.
    with ProcessPoolExecutor(workers, get_context("spawn"), signal, (SIGINT, SIG_IGN)) as pool:
        futures = [pool.submit(measure_one, photo, *how) for photo in photos]
        try:
            for future in futures:
                yield future.result()
        except BrokenProcessPool:
            return
        finally:
            pool.shutdown(cancel_futures=True)


def measure_one(photo: str, rectangles: dict[str, Any], greys: Any = None) -> dict[str, Any]:
    """The JSON of one photo, whatever happens to it: a refusal, and a fault too, is an entry of its own."""
    from pathlib import Path

    try:
        if rectangles:
            from colourmatch.photo.rectangles import measure_rectangles

            return measure_rectangles(Path(photo), **rectangles).to_json()
        from colourmatch.photo.measure import measure_or_refuse

        return measure_or_refuse(Path(photo), greys=greys).to_json()
    except ColourMatchError as error:
        return _refused(photo, error.text, error.code)
    except Exception as error:
        if os.environ.get("COLOURMATCH_DEBUG"):
            import traceback

            traceback.print_exc()
        what = " ".join(f"{type(error).__name__}: {error}".split())[:200]
        return _refused(
            photo, f"A fault of the program stopped this photo: {what}. Take another photo.", "fault"
        )


def _refused(photo: str, text: str, code: str = "unreadable") -> dict[str, Any]:
    from pathlib import Path

    from colourmatch.photo.measure import refuse

    return refuse(Path(photo).name, PhotoError(text, code)).to_json()
