"""The page asks for water where the first photo is too strong, and takes the next one as thinned so far."""

from __future__ import annotations

from functools import cache

import pytest
from test_pages import by_key, open_app, shown

from colourmatch.book.lot_book import LotBook
from colourmatch.simulate.kitchen import Kitchen, take_photo
from colourmatch.workflow.lot import record_photos, view_of_photos

draw = cache(take_photo)


@pytest.mark.parametrize(("thinned", "dilution"), [(True, 4.0), (False, 1.0)])
def test_the_next_photo_is_taken_as_thinned_unless_it_is_not(
    book: LotBook, thinned: bool, dilution: float
) -> None:
    book.stocks.add("red", "E129", 1.0)
    lot = book.lots.begin("cordial", 900, ["red"]).id
    record_photos(book, lot, [(draw(Kitchen(), 1, dilution=1.0), "1.jpg")])
    app = open_app("match", lot=str(lot))
    assert "Thin both 1+3, photograph" in shown(app)
    by_key(app.checkbox, f"thinned-{lot}").set_value(thinned)
    app.file_uploader[0].set_value([("2.jpg", draw(Kitchen(), 2, dilution=dilution), "image/jpeg")]).run()
    assert not app.exception and not app.error
    story = book.lots.story(lot)
    assert len(story.photos) == 2 and view_of_photos(story).dilution == dilution
    assert not [one for one in app.checkbox if str(one.key).startswith("thinned")]
