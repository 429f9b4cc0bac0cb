"""Every page through Streamlit's own test runner: empty book, example lot, entries, refusals."""

import re
from pathlib import Path

import pytest
from PIL import Image
from visiting import PAGES, buttons, by_key, fill, open_app, refusal, shown, tap, undo, upload

from colourmatch import guide
from colourmatch.book.lots import Lots
from colourmatch.photo.quality import FLAGS
from colourmatch.screens.help import for_the_app
from colourmatch.workflow.lot import record_photos

HALF_CARD = Path(__file__).parents[1] / "photos" / "bad-half-card.jpg"


@pytest.mark.parametrize("page", PAGES)
def test_every_page_opens_on_an_empty_book(book, page):
    app = open_app(page)
    assert not app.error and app.title


def test_the_start_offers_card_reading_and_example(book, card_photo_bytes):
    app = open_app()
    cards = {f"{card} card, {paper}" for card in ("Colour", "Grey") for paper in ("A4", "Letter")}
    assert {button.label for button in app.get("download_button")} == cards
    assert [b.key for b in app.button if b.proto.type == "primary"] == ["to-set-up"]
    assert by_key(app.button, "example-first") and by_key(app.button, "example")
    text = shown(upload(app, card_photo_bytes))
    assert "CIEDE2000" in text and "paler" in text and book.lots.count() == 0
    book.stocks.add("red", "E129", 1.0)
    book.lots.begin("bitter aperitif", 900, ["red"])
    newest = book.lots.begin("cordial", 900, ["red"]).id
    app = open_app()  # the next visit goes on with the newest lot
    assert [b.key for b in app.button if b.proto.type == "primary"] == [f"go-on-{newest}"]
    assert not [b for b in app.button if b.key == "example-first"]


def test_a_photo_gives_advice_and_the_advised_drops_count_once(book, lot_id, card_photo_bytes):
    app = open_app("match", lot_id)
    assert "cm-answer photo" in shown(app)
    upload(app, card_photo_bytes)
    text = shown(app)
    assert "cm-answer add" in text and undo(app).label == "Photo 1 measured. Undo"
    for words in ("After this step", "What further drops would do", "30 mg/l left"):
        assert words in text
    sides = re.findall(r'(?:aria-label="|<span>)(Reference|Batch)', text)  # as they stand on the card
    assert len(sides) >= 4 and sides == ["Reference", "Batch"] * (len(sides) // 2)
    advised = book.lots.story(lot_id).photos[0].advice.doses[0].drops
    assert by_key(app.number_input, "dose-").value == advised
    text = shown(tap(app, "dose-"))
    assert [entry.quantity for entry in book.lots.story(lot_id).additions] == [advised]
    assert "cm-answer photo" in text and f"Added since the last photo: {advised} drops of red." in text
    assert not buttons(app, "dose-")
    upload(open_app("match", lot_id), card_photo_bytes, "again.jpg")
    assert len(book.lots.story(lot_id).photos) == 1


def test_another_number_than_the_advised_is_written_as_it_was_set(book, measured):
    app = tap(fill(open_app("match", measured), {"dose-": -20.0}), "dose-")
    assert "-20 cannot be" in refusal(app) and not book.lots.story(measured).additions
    app = tap(fill(app, {"dose-": 3.0}), "dose-")
    assert "cm-answer add" in shown(app)  # the rest of the step
    fill(app, {f"addition-{measured}-unit": "ml"}).run()
    tap(fill(app, {f"addition-{measured}-amount": 0.75}), f"addition-{measured}-write")
    added = [(entry.quantity, entry.unit) for entry in book.lots.story(measured).additions]
    assert added == [(3, "drops"), (0.75, "ml")]


def test_the_next_photos_may_be_thinned_otherwise(book, lot_id, card_photo_bytes):
    app, lot = open_app("match", lot_id), book.lots.get(lot_id)
    upload(fill(app, {f"view-{lot_id}-0-depth": 500.0}), card_photo_bytes)
    assert "500 cannot be" in app.error[0].value and not book.lots.story(lot_id).photos
    app = open_app("match", lot_id)
    fill(app, {f"view-{lot_id}-0-dilution": 3 * lot.dilution}).run()
    upload(app, card_photo_bytes)
    (photo,) = book.lots.story(lot_id).photos
    assert photo.measurement.view.to_json() == {"dilution": 3 * lot.dilution}
    (fold,) = [one for one in app.expander if one.label.endswith("Thinned otherwise?")]
    assert fold.label.startswith(f"{lot.depth_mm:g} mm deep, ")
    assert f"1 part made up to {3 * lot.dilution:g}." in fold.label


def test_photos_of_one_state_are_shown_together_and_a_disagreement_is_told(book, lot_id, photos, tmp_path):
    first, after, _ = photos  # one before the drops, one after: no two photos of the same glasses
    again = tmp_path / "again.jpg"
    Image.open(first).save(again, quality=88)
    record_photos(book, lot_id, [first, after])
    text = shown(open_app("match", lot_id))
    assert "The 2 photos disagree by" in text and "the batch against the reference, last photo" in text
    record_photos(book, lot_id, [again])
    text = shown(open_app("match", lot_id))
    assert "Last 3 photos together: " in text and "Photo 2 disagrees" in text
    book.additions.add(lot_id, "red", drops=3)
    assert "How far, last 3 photos" in shown(open_app("match", lot_id))


def test_what_is_refused_is_said_drawn_and_not_kept(book, lot_id):
    app = tap(open_app("match", lot_id), f"addition-{lot_id}-write")
    assert "Give the amount once" in refusal(app)
    upload(app, b"this is no photo", "note.jpg")
    assert "Not measured:" in shown(app) and "note.jpg: This is not a readable photo" in shown(app)
    for app in (open_app("match", lot_id), open_app()):
        before = len(app.get("image") + app.get("imgs"))
        upload(app, HALF_CARD.read_bytes(), HALF_CARD.name)
        assert "is not in view" in shown(app)
        assert len(app.get("image") + app.get("imgs")) == before + 1
    story = book.lots.story(lot_id)
    assert story.photos == () and story.additions == ()
    app = open_app("match", 9999)
    assert "There is no lot 9999" in app.warning[0].value and app.selectbox[0].options


def test_a_passed_ceiling_is_said_and_a_figure_put_right_with_its_reason(book, lot_id):
    app = tap(fill(open_app("match", lot_id), {f"addition-{lot_id}-amount": 70.0}), f"addition-{lot_id}-write")
    assert "your ceiling: 38.7 mg/l of pure dye of 30, 8.74 too much" in refusal(app)
    assert not book.lots.story(lot_id).additions
    tap(app, f"addition-{lot_id}-write")
    text = shown(open_app("match", lot_id))
    assert "The ceiling is passed: your ceiling: " in text and "mg/l over" in text
    assert len(book.lots.story(lot_id).additions) == 1
    app = open_app("match", lot_id)
    fill(app, {f"amend-{lot_id}-volume_ml": 850.0, f"amend-{lot_id}-reason": "mistyped"})
    tap(app, f"amend-{lot_id}-write")
    assert book.lots.get(lot_id).volume_ml == 850 and book.lots.story(lot_id).events[-1].reason == "mistyped"
    assert "No figure was changed" in refusal(tap(app, f"amend-{lot_id}-write"))


def test_the_limits_of_the_place_are_in_view_without_a_ceiling_of_ones_own(book, red):
    lot = book.lots.begin("cordial", 900, [red], jurisdiction="EU", already_mg_per_l=95)
    elsewhere = book.lots.begin("shrub", 900, [red], already_mg_per_l=95)
    app = open_app("match", lot.id)
    assert "Under the limits of EU" in shown(app) and "5 mg/l left" in shown(app)
    for one in (lot, elsewhere):
        book.additions.add(one.id, red, ml=2)
    assert "The ceiling is passed: E129" in shown(open_app("match", lot.id))
    # a limit is never hidden where nobody said where it is sold
    app.selectbox[0].set_value(elsewhere.id).run()
    assert str(elsewhere.id) in app.query_params["lot"]
    assert "It is not said where the lot is sold" in shown(app)


def test_a_photo_is_set_aside_and_taken_back_in_the_history(book, measured):
    app = open_app("match", measured)
    for why, aside in (("a lamp shone in", "a lamp shone in"), ("it was all right", None)):
        tap(fill(app, {f"aside-{measured}-why": why}), f"aside-{measured}-write")
        assert [photo.aside for photo in book.lots.story(measured).photos] == [aside]
        assert f"reason: {why}" in shown(app)


def test_a_closing_against_the_advice_is_asked_about_and_bears_the_name(book, lot_id, photos):
    action = f"close-{lot_id}"
    app = fill(open_app("match", lot_id), {f"{action}-reason": "ceiling"}).run()
    assert "It is another: The ceiling leaves 30 mg/l." in shown(app)
    record_photos(book, lot_id, [photos[0]])
    app = open_app("match", lot_id)
    app.session_state["who"] = "MK"
    app.run()
    token = app.session_state[f"token-{action}"]
    fill(app, {f"{action}-sure": True}).run()
    fill(app, {f"{action}-reason": "matched"}).run()
    assert "It is another: Add " in shown(app)
    assert "tick" in refusal(tap(app, f"{action}-do"))  # the tick was for another question
    assert not book.lots.get(lot_id).closed
    tap(fill(app, {f"{action}-sure": True}), f"{action}-do")
    closing = book.lots.story(lot_id).closing
    assert closing is not None and closing.entered_by == "MK" and closing.against
    assert book.entries.with_token(lot_id, token) == closing


def test_a_closed_lot_takes_no_more_and_shows_the_photo_it_ended_with(book, measured):
    ended = book.lots.story(measured).photos[0]
    book.lots.close(measured, "given up")
    later = book.photos.add(measured, ended.measurement, purpose="recheck")
    app = open_app("match", measured)
    assert not app.file_uploader and not buttons(app, "dose-")
    assert "predicted" not in shown(app) and "What further drops would do" not in shown(app)
    choice = by_key(app.selectbox, f"pick-photo-{ended.id}")
    assert choice.value == ended.id
    names = [re.sub(r", \d{4}-\d\d-\d\d \d\d:\d\d \w+", "", name) for name in choice.options]
    assert names == ["photo 2 (after the closing)", "photo 1 (the last)"]
    text = shown(app)
    assert " when closed, good up to" in text and " now, good up to" not in text
    assert "Last recheck, " in text and app.button(key="recheck").label == "See its rechecks"
    choice.set_value(later.id).run()
    assert "This reading came without a picture." in shown(app)
    assert [one.label for one in app.get("download_button")] == ["Labels (PDF)", "Lot sheet (PDF)"]
    app.button(key="recheck").click().run()
    assert "Does the colour hold?" in shown(app) and app.button(key="like")


def test_the_example_takes_its_own_photos_and_is_followed_by_a_lot_of_ones_own(book):
    open_app().button(key="example").click().run()
    lot = book.lots.get("EXAMPLE").id
    app = open_app("match", lot)
    assert not app.get("file_uploader")
    tap(app, "example-photo")
    assert not app.error and len(book.lots.story(lot).photos) == 1 and "How far" in shown(app)
    book.lots.close(lot, "given up")
    for page in ("match", "lots"):
        closed = open_app(page, lot)
        assert "Now yours: begin your own lot" in buttons(closed)
        assert not {"like", "recheck"} & {button.key for button in closed.button}


def test_the_list_finds_lots_and_tells_the_story_of_one(book, lot_id):
    from colourmatch.screens.pages import make_paper

    book.lots.begin("<b>shrub</b>", 500, ["red"], jurisdiction="EU")
    book.additions.add(lot_id, "red", drops=9)
    book.volumes.take_sample(lot_id, 20)
    trial = book.trials.take(lot_id, 100).id
    app = open_app("lots", lot_id)
    told = ("9 drops of red (0.45 ml, 4.5 mg)", "Sample of 20 ml taken", "A sample that stood on the bench")
    for words in (*told, "Colour: Allura red AC (E129)"):
        assert words in shown(app)
    assert "Lot sheet (PDF)" in [button.label for button in app.get("download_button")]
    assert make_paper("sheet", lot_id).startswith(b"%PDF")
    app.button(key="all-lots").click().run()
    for words in (f"L{trial}", f"trial of {lot_id}", "100 ml"):
        assert f">{words}<" in shown(app)
    app.text_input(key="lots-search").set_value("shr").run()
    assert buttons(app, "lot-") == ["Open <b>shrub</b> (L2)"]
    app.text_input(key="lots-search").set_value("nothing like it").run()
    assert not buttons(app, "lot-") and "No lot fits." in shown(app)
    app.text_input(key="lots-search").set_value("").run()
    book.lots.begin("newer", 500, ["red"])  # it stands first now
    app.button(key=f"lot-{lot_id}").click().run()
    assert str(lot_id) in app.query_params["lot"]


def test_a_recall_names_the_lots_that_hold_the_batch_and_the_log_who_did_what(book):
    book.stocks.add("red", "E129", 1.0, bottle={"supplier_batch": "K-1207"})
    lots = [book.lots.begin(name, 900, ["red"], number=f"26-04{name}").id for name in "ABC"]
    for lot_id in lots[:2]:
        book.additions.add(lot_id, "red", ml=2, entered_by="CD")
    app = fill(open_app("lots"), {"recall-batch": "k-1207"}).run()
    held = [str(link.proto.label).replace("\\", "") for link in app.get("page_link")]
    assert [any(f"lot 26-04{name} " in one for one in held) for name in "ABC"] == [True, True, False]
    assert refusal(fill(app, {"recall-batch": "K-9"}).run())
    assert by_key(app.button, f"lot-{lots[0]}")  # the list stays usable
    app.session_state["log"] = True
    app.run()
    (line,) = [line for line in shown(app).split("<p") if "26-04A" in line and "CD" in line]
    assert "2 ml of red" in line


def test_a_book_that_cannot_be_opened_is_said_in_a_sentence(tmp_path, monkeypatch):
    wrong = tmp_path / "letter.txt"
    wrong.write_text("Dear aunt, this is a letter and no book.")
    monkeypatch.setenv("COLOURMATCH_BOOK", str(wrong))
    assert "is not a lot book" in open_app("match").error[0].value


def test_what_nobody_foresaw_is_a_plain_sentence(book, monkeypatch):
    def fail(*_args: object, **_kwargs: object) -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr(Lots, "search", fail)
    app = open_app()
    assert "Something went wrong in the program" in app.error[0].value
    assert "secret detail" not in shown(app)


def test_answers_come_first_and_each_page_is_shown_whole(book):
    app = open_app("help")
    assert not any(expander.label.endswith(")") for expander in app.expander)  # no code in a heading
    codes = {caption.value.removeprefix("In JSON: ") for caption in app.caption}
    assert set(FLAGS) <= codes
    for page in guide.PAGES[1:]:
        app.segmented_control(key="help-page").set_value(page.name).run()
        text = shown(app)
        assert page.text.splitlines()[-1] in text
    app.segmented_control(key="help-page").set_value("installation").run()
    assert book.place in shown(app)


def test_words_are_found_and_links_lead_to_places_of_the_app(book):
    app = open_app("help", find="fogged glass")
    assert [expander.label for expander in app.expander] == ["Hazy"]
    app.text_input(key="help-find-answers").set_value("xyz*zy").run()
    assert not app.expander and "Nothing on this page holds" in app.info[0].value
    told = for_the_app(
        guide.find_page("method"),
        "[a](care.md) [b](#tones) [c](answers.md#which-light) [d](https://x.y/z.md)",
    )
    assert told == "[a](?page=care) [b](#tones) [c](?page=answers&find=which%20light) [d](https://x.y/z.md)"
