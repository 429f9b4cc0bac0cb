"""US measures beside millilitres: off until chosen, then on every page of the visit."""

from __future__ import annotations

from test_pages import by_key, open_app, shown

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import session


def test_volumes_are_in_ml_until_us_measures_are_chosen(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    lot_id = book.lots.begin("cordial", 900, ["red"]).id
    book.volumes.take_sample(lot_id, 20)
    app = open_app("lots", lot=str(lot_id))
    assert "900 ml" in shown(app) and "fl oz" not in shown(app)
    app.switch_page("colourmatch/screens/set_up.py").run()
    by_key(app.segmented_control, "measures").set_value(session.US).run()
    app.query_params["lot"] = str(lot_id)
    app.switch_page("colourmatch/screens/lots.py").run()
    # NIST Handbook 44, appendix C: 29.57353 ml a fluid ounce, 4.928922 ml a teaspoon
    assert "900 ml (30.4 fl oz)" in shown(app) and "20 ml (4.06 tsp) taken" in shown(app)
    app.switch_page("colourmatch/screens/start.py").run()
    assert "900 ml (30.4 fl oz)" in by_key(app.button, "go-on-").label.replace("\\", "")
