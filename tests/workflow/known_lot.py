"""A lot whose glasses are known: what a photo of it shows is made from spectra, without pixels."""

import numpy as np
from known_liquids import look
from known_pictures import to_file
from PIL import Image

from colourmatch.book.entries import LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import ciede2000
from colourmatch.liquid.model import View
from colourmatch.measurement import Measurement
from colourmatch.workflow.lot import advise_lot, record_photos

REFERENCE = look({"E129": 40})


class Bench:
    """A lot whose glasses are known: a photo shows what the book says is in, at the stock's true strength.

    known: what stands in for the measuring of pixels, measurements by the bytes of their photo.
    """

    def __init__(self, book: LotBook, known: dict, *, factor: float = 1.0, **head) -> None:
        self.book, self.factor, self.known = book, factor, known
        if not any(s.name == "red" for s in book.stocks.all()):
            book.stocks.add("red", "E129", 1.0)
        self.lot = book.lots.begin("Aperitif", 900, ["red"], **({"dilution": 5, "tolerance": 1.0} | head)).id

    def draw(
        self, *, quality=(), without=(), refused: str | None = None, off: float = 0, rgb=None, stuck=False
    ) -> tuple[bytes, str]:
        """A new photo of the lot as it is now, with its measurement; `off` moves the batch's L* by so much, and a batch
        that is `stuck` looks as at its beginning."""
        number = len(self.known)
        content = to_file(Image.new("RGB", (16, 12), (number, self.lot % 256, 7)), "PNG")
        state = self.story.state()
        held = {e: self.factor * state.colourant_mg_per_l(e) for e in state.mg_by_colourant if not stuck}
        batch = look(held, state.base_share) + np.array([off, 0, 0])
        known = {"lab_covariance": (np.eye(3) * 0.01).tolist(), "rgb": rgb}
        spots = {"reference": {"lab": list(REFERENCE)} | known, "batch": {"lab": list(batch)} | known}
        spots = {name: None if name in without or refused else spot for name, spot in spots.items()}
        value = None if None in spots.values() else float(ciede2000(REFERENCE, batch))
        measurement = {
            "photo": f"photo-{number}.png", "phone": "A phone", "profile": "sRGB", "taken_at": None,
            "quality": list(quality), "spots": spots, "difference": None, "error": refused,
            "delta_e_2000": None if value is None else {"value": value, "low": value, "high": value},
        }  # fmt: skip
        self.known[content] = Measurement.from_json(measurement)
        return content, f"photo-{number}.png"

    @property
    def story(self) -> LotStory:
        """The lot as it stands in the book."""
        return self.book.lots.story(self.lot)

    def advice(self) -> dict:
        """What is advised for it now."""
        return advise_lot(self.book, self.lot).to_json()

    def record(self, photo: tuple[bytes, str], **view) -> dict:
        """What recording a photo gives; view: how its glasses are thinned and how deep they are."""
        return record_photos(self.book, self.lot, [photo], view=view or None)[0].to_json()

    def shoot(self, **how) -> dict:
        """Draw and record one photo."""
        return self.record(self.draw(**how))

    def keep(self, **how) -> None:
        """Draw one photo into the book without the advice, which takes most of the time."""
        content, name = self.draw(**how)
        self.book.photos.add(self.lot, self.known[content].to_json(), photo=content, original_name=name)

    def add(self, drops: int) -> None:
        """So many drops of red, into the book and the batch."""
        self.book.additions.add(self.lot, "red", drops=drops)

    def follow(self, most: int = 9) -> dict:
        """Photograph and add as advised until the stop; the last advice."""
        for _ in range(most):
            advice = self.shoot()["advice"]
            if advice["action"] == "stop":
                return advice
            for dose in advice["doses"]:
                self.add(dose["drops"])
        raise AssertionError(f"no stop after {most} photos: {advice['text']}")


def make_view_photo(made: Bench, dilution: float) -> tuple[bytes, str]:
    """A photo of the lot as it is now, both liquids thinned so far."""
    photo = made.draw()
    state, measured = made.story.state(), made.known[photo[0]].to_json()
    dose = made.factor * state.colourant_mg_per_l("E129")
    labs = [look({"E129": mg}, view=View(10, dilution)) for mg in (40, dose)]
    for spot, lab in zip(("reference", "batch"), labs, strict=True):
        measured["spots"][spot]["lab"] = list(lab)
    value = float(ciede2000(*labs))
    measured["delta_e_2000"] = {"value": value, "low": value, "high": value}
    made.known[photo[0]] = Measurement.from_json(measured)
    return photo
