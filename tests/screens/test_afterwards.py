"""A closed lot: photographed again, its drift in words and numbers, its labels."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from known_photos import measured
from visiting import open_app, shown, undo, upload

from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import Figure
from colourmatch.screens import plots
from colourmatch.screens.pages import make_paper
from colourmatch.workflow.lot import record_photos
from colourmatch.workflow.recheck import Drift, PhotoDrift

BEGIN = datetime.now(UTC) - timedelta(weeks=8)
FADING = np.array([0.1, -0.6, -0.4])


@pytest.fixture
def closed(book: LotBook, red: str) -> int:
    """A lot that was finished on its reference eight weeks ago."""
    lot = book.lots.begin("Aperitif", 900, [red], number="B1", jurisdiction="EU").id
    book.additions.add(lot, red, drops=40)
    book.photos.add(lot, measured(np.zeros(3)), taken_at=BEGIN)
    book.lots.close(lot, "matched")
    return lot


def test_only_a_closed_lot_says_when_to_photograph_it_again(book, lot_id, closed):
    app = open_app("lots", closed)
    assert "No recheck yet." in shown(app) and "in a week and in a month" in shown(app)
    assert "Labels (PDF)" in [button.label for button in app.get("download_button")]
    assert make_paper("labels", closed).startswith(b"%PDF") and not app.get("plotly_chart")
    app = open_app("lots", lot_id)
    assert "Does the colour hold?" not in shown(app) and not app.file_uploader


def test_drift_rate_and_forecast_stand_with_their_intervals(book, closed):
    for week in (2, 4, 6):
        taken = BEGIN + timedelta(weeks=week)
        book.photos.add(closed, measured(FADING * week), purpose="recheck", taken_at=taken)
    app = open_app("lots", closed)
    text = shown(app)
    assert "In 6.0 weeks the batch has turned" in text
    assert "CIEDE2000 a week (between" in text and "the tolerance of 1.5 from its reference" in text
    assert "Change a week: L* 0.10 ± " in text
    for weeks in ("2.0 weeks", "4.0 weeks", "6.0 weeks"):
        assert weeks in text
    assert len(app.get("plotly_chart")) == 1
    # What a photo afterwards shows is not how the lot ended.
    assert 'Last photo alone</p><p class="cm-big">at most ' in text


def test_a_photo_afterwards_is_kept_once_and_a_refused_one_named(book, lot_id, photos, card_photo_bytes):
    record_photos(book, lot_id, [photos[1]])
    book.lots.close(lot_id, "matched")
    app = upload(open_app("lots", lot_id), card_photo_bytes, "week.jpg")
    assert undo(app).label == "Photo 2 measured. Undo"
    assert not app.success and not app.toast  # it is told once
    upload(app, b"this is no photo", "note.jpg")
    assert "note.jpg: This is not a readable photo" in shown(app)
    assert [photo.purpose for photo in book.lots.story(lot_id).photos] == ["match", "recheck"]


def test_the_drift_is_drawn_over_weeks_with_its_interval():
    photo = PhotoDrift(weeks=2.0, delta_e_2000=Figure(1.0, 0.4, 1.8))
    figure = plots.draw_drift(Drift(tolerance=1.5, photos=(photo,)))
    trace = figure.data[0]
    assert (trace.x[0], trace.y[0]) == (2.0, 1.0)
    assert trace.error_y.array[0] == pytest.approx(0.8) and trace.error_y.arrayminus[0] == pytest.approx(0.6)
    assert figure.layout.shapes[0].y0 == 1.5
