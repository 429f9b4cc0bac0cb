"""Help: the guide in the app, its search, its links, and what is installed."""

from visiting import open_app, shown

from colourmatch.guide import PAGES, find_page
from colourmatch.photo.quality import FLAGS
from colourmatch.screens.help import for_the_app


def test_answers_come_first_and_each_page_is_shown_whole(book):
    app = open_app("help")
    assert not any(expander.label.endswith(")") for expander in app.expander)  # no code in a heading
    codes = {caption.value.removeprefix("In JSON: ") for caption in app.caption}
    assert set(FLAGS) <= codes
    for page in PAGES[1:]:
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
        find_page("method"), "[a](care.md) [b](#tones) [c](answers.md#which-light) [d](https://x.y/z.md)"
    )
    assert told == "[a](?page=care) [b](#tones) [c](?page=answers&find=which%20light) [d](https://x.y/z.md)"
