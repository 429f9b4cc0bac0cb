"""Where the photos of a lot saw the band of a natural colour is carried on to the next lot, less sure."""

import known_lot
import numpy as np
import pytest
from known_liquids import BASE, VIEW

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.fitting import make_prior

pytestmark = pytest.mark.usefixtures("as_noted")
LISTED = find_colourant("E163")
TRUE_NM = 8.0  # an anthocyanin in a drink of another pH: its band lies so far up


def look(mg_per_l: dict[str, float], share: float = 1.0) -> np.ndarray:
    """Lab of the natural base with so much of a colour whose band lies elsewhere than listed."""
    moved = np.interp(WAVELENGTHS_NM - TRUE_NM, WAVELENGTHS_NM, LISTED.absorptivity())
    return absorbance_to_lab((share * BASE + mg_per_l.get("E163", 0.0) * moved) * VIEW.path_cm)


def test_a_closed_lot_teaches_where_the_band_lies(bench, book, monkeypatch):
    dose = 0.6 / float(LISTED.absorptivity().max() * VIEW.path_cm)
    monkeypatch.setattr(known_lot, "look", look)
    monkeypatch.setattr(known_lot, "REFERENCE", look({"E163": dose}))
    book.stocks.add("red", "E163", 10.0)
    made = bench()
    made.follow()
    before = make_prior(book.stocks.get("red"))
    close_lot(book, made.lot, "matched", "", sure=True)
    taught = book.stocks.get("red")
    assert taught.shift is not None
    shift, sd = taught.shift
    assert abs(shift - TRUE_NM) < 2 * sd and abs(shift - TRUE_NM) < TRUE_NM / 2
    prior = make_prior(taught)
    assert prior.shift_nm == shift and sd < prior.shift_sd_nm < before.shift_sd_nm == LISTED.shift_sd_nm
    fresh = book.stocks.refill("red")
    assert fresh.shift == taught.shift
    thin = book.stocks.dilute("red", 10, "thin")
    assert thin.shift == taught.shift
    assert book.stocks.reset(fresh.id).shift is None
