"""An invented lot, played through the calls a maker's own photos go through; nothing in it is a real drink.

The liquids, the phone and the light are drawn by colourmatch.simulate. The true dye is that of the stock, but
the stock is somewhat weaker and its drops somewhat smaller than its label says, as in life. No figure of a
real lot rests on anything here.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from colourmatch.book.example import EXAMPLE_NUMBER, EXAMPLE_STOCK
from colourmatch.colour.spectra import planck_spectrum
from colourmatch.errors import ClosedError, InputError, NotFoundError
from colourmatch.simulate import save_photo
from colourmatch.words.figures import tell_drops
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.lot import record_photos
from colourmatch.writing import what_to_do

if TYPE_CHECKING:
    from colourmatch.book.entries import Lot
    from colourmatch.book.lot_book import LotBook
    from colourmatch.simulate import Rendered

DRINK = "Invented bitter orange"
STOCK, COLOURANT, LABEL_STRENGTH_G_PER_100ML, LABEL_DROP_ML = "demo red", "E129", 1.0, 0.05
#: Strength and drop as they truly are, against the label.
TRUE_STRENGTH, TRUE_DROP = 0.92, 0.96
VOLUME_ML, DEPTH_MM, DILUTION, CEILING_MG_PER_L = 900.0, 10.0, 5.0, 60.0
REFERENCE_MG_PER_L = 41.0
#: Absorbance of the natural base over 1 cm, undiluted; the reference's own is a little different.
BASE = {"caramel_a610": 0.012, "yellow_a430": 0.30}
REFERENCE_BASE = {"caramel_a610": 0.015, "yellow_a430": 0.33}
MOST_PHOTOS = 6

#: Drops that go in between the photos of the example lot, which is left in the middle of the work.
_EXAMPLE_DROPS = (45, 20)


@dataclass(frozen=True)
class Kitchen:
    """What is truly in the batch: it knows what no photo says. Each drop and each sample makes a new one."""

    volume_ml: float = VOLUME_ML
    dye_mg: float = 0.0
    base_ml: float = VOLUME_ML

    def add_drops(self, drops: float) -> Kitchen:
        """The batch after so many true drops of the true stock."""
        ml = drops * LABEL_DROP_ML * TRUE_DROP
        mg_per_ml = 10 * LABEL_STRENGTH_G_PER_100ML * TRUE_STRENGTH
        return replace(self, volume_ml=self.volume_ml + ml, dye_mg=self.dye_mg + ml * mg_per_ml)

    def take_sample(self, ml: float) -> Kitchen:
        """The batch after so many ml of it were taken out."""
        left = 1 - ml / self.volume_ml
        return Kitchen(self.volume_ml - ml, self.dye_mg * left, self.base_ml * left)

    @property
    def dye_mg_per_l(self) -> float:
        """Dye in the batch as it truly is."""
        return 1000 * self.dye_mg / self.volume_ml

    @property
    def base_share(self) -> float:
        """Part of the volume that is base and not stock."""
        return self.base_ml / self.volume_ml


def draw_demo_photo(kitchen: Kitchen, number: int) -> Rendered:
    """Photo `number` of the invented lot: three glasses on the card, the phone held a little otherwise."""
    from colourmatch.simulate import (
        Glint,
        Light,
        Phone,
        Pose,
        Printer,
        Scene,
        drink_transmittance,
        render_photo,
    )

    view = {"depth_mm": DEPTH_MM, "dilution": DILUTION}
    base = {name: value * kitchen.base_share for name, value in BASE.items()}
    scene = Scene(
        reference=drink_transmittance({COLOURANT: REFERENCE_MG_PER_L}, **view, **REFERENCE_BASE),
        batch=drink_transmittance({COLOURANT: kitchen.dye_mg_per_l}, **view, **base),
        glints=(Glint("reference", -9, 6), Glint("batch", 15, -8, radius_mm=1.2)),
        glass_shadow=0.12,
    )
    phone = Phone(
        "Phone B",
        name="Phone of the demonstration",
        matrix_error=0.015,
        saturation=1.02,
        exposure=0.62,
        s_curve=0.2,
    )
    light = Light(planck_spectrum(5600), "T5600", gradient=0.08, azimuth_degrees=200, vignetting=0.08)
    pose = Pose(
        tilt_degrees=3 + number % 3,
        azimuth_degrees=70.0 * number,
        rotation_degrees=-4 + 3 * (number % 4),
        fill=0.82,
    )
    printer = Printer(gamma=1.03, jitter=0.015, cast=0.004, seed=7)
    return render_photo(scene, phone, light, pose, seed=1000 + number, printer=printer)


def _draw_into(folder: Path, name: str, kitchen: Kitchen, number: int) -> tuple[Path, float]:
    """The written photo, and the true CIEDE2000 of what is on it."""
    drawn = draw_demo_photo(kitchen, number)
    try:
        return save_photo(drawn, folder / name), drawn.truth["delta_e_2000"]
    except OSError as error:
        raise InputError(
            f"The photo {folder / name} cannot be written: {error.strerror or error}. "
            + what_to_do(error, "Give another folder.")
        ) from None


def play_demo(book: LotBook, say: Callable[[str], Any] = print, *, folder: str | Path | None = None) -> int:
    """Play one lot from the first photo to the stop, following the advice; the id of the lot.

    `say` is given the story line by line; the photos are written into `folder`, kept when it is given.
    """
    stock = _find_or_add_stock(book, STOCK)
    say("Everything here is invented: the kitchen, the drink, the phone and the light are simulated.")
    say(f"{VOLUME_ML:g} ml of {DRINK!r} are clear and have to look like the reference bottle.")
    say(
        f"The stock {stock!r}: {COLOURANT}, {LABEL_STRENGTH_G_PER_100ML:g} g in 100 ml by its label, "
        f"about {LABEL_DROP_ML:g} ml a drop."
    )
    lot = book.lots.begin(
        DRINK, VOLUME_ML, [stock], ceiling_mg_per_l=CEILING_MG_PER_L, depth_mm=DEPTH_MM, dilution=DILUTION,
        notes="Simulated, for demonstration.", entered_by="demo",
    )  # fmt: skip
    say(
        f"Lot {lot.id}: ceiling {CEILING_MG_PER_L:g} mg/l, "
        f"both glasses 1 part made up to {DILUTION:g} with water."
    )
    with ExitStack() as stack:
        place = Path(folder or stack.enter_context(tempfile.TemporaryDirectory(prefix="colourmatch-demo-")))
        true_difference = _work_on(book, lot.id, place, say)
    closed = close_lot(book, lot.id)
    _tell_end(book, lot.id, closed, true_difference, say)
    return lot.id


def _work_on(book: LotBook, lot_id: int, folder: Path, say: Callable[[str], Any]) -> float:
    """Photograph, follow the advice, photograph again, until it says stop; the true difference at the end."""
    kitchen, true_difference = Kitchen(), 0.0
    for number in range(1, MOST_PHOTOS + 1):
        path, true_difference = _draw_into(folder, f"demo-{number}.jpg", kitchen, number)
        result = record_photos(book, lot_id, [path], entered_by="demo")[0]
        say("")
        say(f"Photo {number}, {path.name}: {_difference_text(result)}")
        if result["error"]:
            break
        advice = result["advice"]
        say(f"  {advice['text']}")
        if advice["action"] != "add" or number == MOST_PHOTOS:
            break
        for dose in advice["doses"]:
            book.additions.add(lot_id, dose["stock"], drops=dose["drops"], entered_by="demo")
            kitchen = kitchen.add_drops(dose["drops"])
            say(
                f"  {tell_drops(dose['drops'])} of {dose['stock']} go in; {dose['mg_per_l']:.1f} mg/l by the label."
            )
    return true_difference


def _difference_text(result: dict[str, Any]) -> str:
    if result["error"]:
        return str(result["error"])
    figure = result["delta_e_2000"]
    said = result["difference"]["text"]
    words = f"the batch is {said}" if result["difference"]["seen"] else said
    return f"CIEDE2000 {figure['value']:.1f} ({figure['low']:.1f} to {figure['high']:.1f}), {words}."


def _tell_end(
    book: LotBook, lot_id: int, closed: dict[str, Any], true_difference: float, say: Callable[[str], Any]
) -> None:
    story = book.lots.story(lot_id)
    state, drops = story.state(), sum(entry.quantity for entry in story.additions)
    say("")
    say(f"Lot {lot_id} is closed: {closed['outcome']}.")
    say(f"  {tell_drops(drops)} in {len(story.additions)} additions, {len(story.photos)} photos.")
    say(
        f"  {state.volume_ml:.1f} ml with {state.total_mg_per_l():.1f} mg/l of colour by the label, "
        f"of {CEILING_MG_PER_L:g} allowed."
    )
    learnt = book.stocks.get(STOCK)
    say(
        f"  Learnt of {STOCK}: a drop does {learnt.strength_factor:.2f} "
        f"(+-{100 * learnt.strength_rel_sd:.0f} %) of what its label promises; "
        f"in truth {TRUE_STRENGTH * TRUE_DROP:.2f}."
    )
    say(f"  {closed['advice']['label']}".replace("\n", "\n  "))
    say(
        f"  The true difference on the last photo was CIEDE2000 {true_difference:.1f}; "
        "only a simulation can know that."
    )


def _find_or_add_stock(book: LotBook, name: str) -> str:
    try:
        return book.stocks.get(name).name
    except (NotFoundError, ClosedError):
        return book.stocks.add(
            name, COLOURANT, LABEL_STRENGTH_G_PER_100ML, drop_ml=LABEL_DROP_ML,
            notes="Simulated, for demonstration.", entered_by="demo",
        ).name  # fmt: skip


def make_example(book: LotBook) -> int:
    """The id of the example lot (number EXAMPLE) in the middle of the work, made when it is not there yet.

    A making that was cut short is taken up where it stopped: every entry has its token.
    """
    lot: Lot = _find_or_begin_example(book)
    wanted = len(_EXAMPLE_DROPS) + 1
    if lot.closed or len(book.lots.story(lot.id).photos) >= wanted:
        return lot.id
    kitchen = Kitchen()
    with tempfile.TemporaryDirectory(prefix="colourmatch-example-") as folder:
        for number in range(1, wanted + 1):
            path, _ = _draw_into(Path(folder), f"example-{number}.jpg", kitchen, number)
            record_photos(book, lot.id, [path], entered_by="demo", token=f"example-photo-{number}")
            if number <= len(_EXAMPLE_DROPS):
                drops = _EXAMPLE_DROPS[number - 1]
                token = f"example-addition-{number}"
                book.additions.add(lot.id, EXAMPLE_STOCK, drops=drops, entered_by="demo", token=token)
                kitchen = kitchen.add_drops(drops)
    return lot.id


def _find_or_begin_example(book: LotBook) -> Any:
    try:
        return book.lots.get(EXAMPLE_NUMBER)
    except NotFoundError:
        return book.lots.begin(
            f"{DRINK} (example)", VOLUME_ML, [_find_or_add_stock(book, EXAMPLE_STOCK)],
            ceiling_mg_per_l=CEILING_MG_PER_L, depth_mm=DEPTH_MM, dilution=DILUTION, number=EXAMPLE_NUMBER,
            notes="Simulated, for looking around.", entered_by="demo", token="example-lot",
        )  # fmt: skip
