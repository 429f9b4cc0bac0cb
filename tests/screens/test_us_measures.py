"""US measures beside millilitres: off until chosen, then on every page of the visit."""

from __future__ import annotations

from test_pages import by_key, open_app, shown

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import session


def test_volumes_are_in_ml_until_us_measures_are_chosen(book: LotBook) -> None:
    book.add_stock("red", "E129", 1.0)
    lot_id = book.new_lot("cordial", 900, ["red"]).id
    book.take_sample(lot_id, 20)
    app = open_app("lots", lot=str(lot_id))
    assert "900 ml" in shown(app) and "fl oz" not in shown(app)
    app.switch_page("colourmatch/screens/set_up.py").run()
    by_key(app.segmented_control, "measures").set_value(session.US).run()
    app.query_params["lot"] = str(lot_id)
    app.switch_page("colourmatch/screens/lots.py").run()
    # NIST Handbook 44, appendix C: 29.57353 ml a fluid ounce, 4.928922 ml a teaspoon
    assert "900 ml (30.4 fl oz)" in shown(app) and "20 ml (4.06 tsp) sample taken" in shown(app)
    app.switch_page("colourmatch/screens/start.py").run()
    assert "900 ml (30.4 fl oz)" in by_key(app.button, "go-on-").label.replace("\\", "")


def test_what_is_less_than_a_quarter_teaspoon_has_no_us_measure(book: LotBook) -> None:
    assert parts.show_ml(0.6, us=True) == "0.6 ml" and parts.show_ml(1200.0) == "1200 ml"
    book.add_stock("red", "E129", 1.0)
    entry = book.add_addition(book.new_lot("cordial", 900, ["red"]).id, "red", ml=2.5)
    assert telling.tell_entry(entry, us=True) == "2.5 ml of red added (2.5 ml (0.507 tsp), 25 mg)"
