"""An invented lot, played through the calls a maker's own photos go through: by itself, or photo by photo in the app.
What is truly in the batch is in simulate/kitchen.py; no figure of a real lot rests on anything here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from colourmatch.book.entries import AdditionEntry, LotStory, VolumeEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import EXAMPLE_NUMBER, EXAMPLE_STOCK, is_example
from colourmatch.errors import ClosedError, InputError, NotFoundError
from colourmatch.files import replace_whole, what_to_do
from colourmatch.simulate import kitchen as truth
from colourmatch.words.figures import tell_drops, tell_factor, tell_interval
from colourmatch.workflow.closing import Closed, close_lot
from colourmatch.workflow.lot import record_photos, view_of_photos

#: Is given a story line by line.
Say = Callable[[str], Any]
DRINK, STOCK, CEILING_MG_PER_L, MOST_PHOTOS = "Invented bitter orange", "demo red", 60.0, 6


def play_demo(book: LotBook, say: Say, *, folder: Path) -> int:
    """Play one lot from the first photo to the stop, following the advice, its photos in a folder; the id of the lot."""
    stock = _find_or_add_stock(book, STOCK)
    say("Everything here is invented: the kitchen, the drink, the phone and the light are simulated.")
    say(f"{truth.VOLUME_ML:g} ml of {DRINK!r} are clear and have to look like the reference bottle.")
    say(
        f"The stock {stock!r}: {truth.COLOURANT}, {truth.LABEL_STRENGTH_G_PER_100ML:g} g in 100 ml by its label, "
        f"about {truth.LABEL_DROP_ML:g} ml a drop."
    )
    lot = book.lots.begin(
        DRINK, truth.VOLUME_ML, [stock], ceiling_mg_per_l=CEILING_MG_PER_L, depth_mm=truth.DEPTH_MM,
        dilution=truth.DILUTION, notes="Simulated, for demonstration.", entered_by="demo",
    )  # fmt: skip
    say(
        f"Lot {lot.id}: ceiling {CEILING_MG_PER_L:g} mg/l, "
        f"both glasses 1 part made up to {truth.DILUTION:g} with water."
    )
    kitchen = _work_on(book, lot.id, folder, say)
    _tell_end(book, lot.id, close_lot(book, lot.id), truth.true_difference(kitchen), say)
    return lot.id


def _work_on(book: LotBook, lot_id: int, folder: Path, say: Say) -> truth.Kitchen:
    """Photograph, follow the advice, photograph again, until it says stop; the batch at the end."""
    kitchen = truth.Kitchen()
    for number in range(1, MOST_PHOTOS + 1):
        path = folder / f"demo-{number}.jpg"
        try:
            with replace_whole(path, sync=False) as stream:
                stream.write(truth.take_photo(kitchen, number))
        except OSError as error:
            todo = what_to_do(error, "Give another folder.")
            raise InputError(f"The photo {path} cannot be written: {error.strerror or error}. {todo}") from None
        result = record_photos(book, lot_id, [path], entered_by="demo")[0]
        seen, told = result.measurement, result.measurement.refused or "no difference"
        if seen.delta_e_2000 is not None and seen.difference is not None:
            said = seen.difference.text
            words = f"the batch is {said}" if seen.difference.seen else said
            told = f"CIEDE2000 {tell_interval(seen.delta_e_2000)}, {words}."
        say("")
        say(f"Photo {number}, {path.name}: {told}")
        if result.advice is None:
            break
        say(f"  {result.advice.text}")
        if result.advice.action != "add" or number == MOST_PHOTOS:
            break
        for dose in result.advice.doses:
            book.additions.add(lot_id, dose.stock, drops=dose.drops, entered_by="demo")
            kitchen = kitchen.add_drops(dose.drops)
            say(f"  {tell_drops(dose.drops)} of {dose.stock} go in; {dose.mg_per_l:.1f} mg/l by the label.")
    return kitchen


def _tell_end(book: LotBook, lot_id: int, closed: Closed, difference: float, say: Say) -> None:
    story, learnt = book.lots.story(lot_id), book.stocks.get(STOCK).learnt
    state, drops = story.state(), sum(entry.quantity for entry in story.additions)
    for line in (
        "",
        f"Lot {lot_id} is closed: {closed.outcome}.",
        f"  {tell_drops(drops)} in {len(story.additions)} additions, {len(story.photos)} photos.",
        f"  {state.volume_ml:.1f} ml with {state.total_mg_per_l():.1f} mg/l of colour by the label, "
        f"of {CEILING_MG_PER_L:g} allowed.",
        f"  Learnt of {STOCK}: a drop does {tell_factor(learnt) if learnt else 'all'} of what its label promises; "
        f"in truth {truth.TRUE_STRENGTH * truth.TRUE_DROP:.2f}.",
        f"  {closed.advice.label}".replace("\n", "\n  "),
        f"  The true difference on the last photo was CIEDE2000 {difference:.1f}; only a simulation can know that.",
    ):
        say(line)


def _find_or_add_stock(book: LotBook, name: str) -> str:
    try:
        return book.stocks.get(name).name
    except (NotFoundError, ClosedError):
        return book.stocks.add(
            name, truth.COLOURANT, truth.LABEL_STRENGTH_G_PER_100ML, drop_ml=truth.LABEL_DROP_ML,
            notes="Simulated, for demonstration.", entered_by="demo",
        ).name  # fmt: skip


def begin_example(book: LotBook) -> int:
    """The example lot that is in work, else a new one; nothing is in it yet, and no photo is taken."""
    lots = [lot for lot in book.lots.search(EXAMPLE_NUMBER, limit=100) if is_example(lot) and lot.trial_of is None]
    for lot in lots:
        if not lot.closed:
            return lot.id
    number = f"{EXAMPLE_NUMBER}-{len(lots) + 1}" if lots else EXAMPLE_NUMBER
    return book.lots.begin(
        f"{DRINK} (example)", truth.VOLUME_ML, [_find_or_add_stock(book, EXAMPLE_STOCK)],
        ceiling_mg_per_l=CEILING_MG_PER_L, depth_mm=truth.DEPTH_MM, dilution=truth.DILUTION, number=number,
        notes="Simulated, for looking around.", entered_by="demo", token=f"example-lot-{number}",
    ).id  # fmt: skip


def take_example_photo(story: LotStory, view: Mapping[str, float | None] | None = None) -> tuple[bytes, str]:
    """The next photo of an example lot and its name: of what its entries say went in, thinned as `view` says.

    InputError for a stock that the invented kitchen does not have.
    """
    last, number = view_of_photos(story), len(story.photos) + 1
    said = {key: value for key, value in (view or {}).items() if value is not None}
    asked = {"depth_mm": last.depth_mm, "dilution": last.dilution} | said
    # the batch as it truly is: what is counted in drops is as small as they are
    kitchen = truth.Kitchen(volume_ml=story.lot.volume_ml, base_ml=story.lot.volume_ml)
    for entry in story.effective:
        if isinstance(entry, AdditionEntry):
            if entry.stock != EXAMPLE_STOCK:
                raise InputError(f"The kitchen of the example has no {entry.stock}. Take that addition back.")
            kitchen = kitchen.add_stock(entry.ml * (truth.TRUE_DROP if entry.unit == "drops" else 1.0))
        elif isinstance(entry, VolumeEntry) and entry.came:
            kitchen = kitchen.add_untinted(entry.ml)
        elif isinstance(entry, VolumeEntry) and not entry.returned:
            kitchen = kitchen.take_sample(entry.ml)
    return truth.take_photo(kitchen, number, **asked), f"example-{number}.jpg"
