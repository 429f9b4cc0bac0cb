"""Visits of the app's pages through Streamlit's own test runner, and what a person does on them."""

from pathlib import Path
from typing import Any

from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash

APP = Path(__file__).resolve().parents[2] / "app.py"
PAGES = ("start", "set_up", "match", "lots", "trend", "help", "picker", "calibrations")
TEXTS = ("markdown", "caption", "error", "warning", "success", "toast", "title", "header", "subheader")
FIELDS = ("text_input", "number_input", "text_area", "selectbox", "multiselect", "checkbox", "date_input", "button_group")  # fmt: skip


def open_app(page: str = "start", lot: int | None = None, **query: str) -> AppTest:
    """The app at one page, as a browser that comes again sees it."""
    app = AppTest.from_file(str(APP), default_timeout=300)
    for key, value in query.items() if lot is None else {"lot": lot, **query}.items():
        app.query_params[key] = str(value)
    app.run()
    assert not app.exception
    return app if page == "start" else go_to(app, page)


def go_to(app: AppTest, page: str) -> AppTest:
    """The same visit at another page."""
    app._page_hash = calc_hash(page.replace("_", "-"))  # switch_page() knows only pages that are files
    app.run()
    assert not app.exception
    return app


def shown(app: AppTest) -> str:
    """All texts and HTML of the page."""
    parts = [element.proto.body for element in app.get("html")]
    return "\n".join([*parts, *(element.value for kind in TEXTS for element in app.get(kind))])


def by_key(elements: Any, start: str) -> Any:
    """The element whose key begins so; keys end in a token."""
    return next(element for element in elements if (element.key or "").startswith(start))


def field(app: AppTest, start: str) -> Any:
    """The field of any kind whose key begins so."""
    return by_key((element for kind in FIELDS for element in app.get(kind)), start)


def fill(app: AppTest, fields: dict[str, Any]) -> AppTest:
    """Fill in fields, which are sent with what is tapped next."""
    for start, value in fields.items():
        field(app, start).set_value(value)
    return app


def tap(app: AppTest, start: str) -> AppTest:
    """Tap the button whose key begins so."""
    by_key(app.button, start).click().run()
    assert not app.exception
    return app


def upload(app: AppTest, data: bytes, name: str = "photo.jpg", to: str = "") -> AppTest:
    """Choose a file in the page's first place for photos, or in the one whose key begins so."""
    place = by_key(app.file_uploader, to)
    file = (name, data, "image/jpeg")
    place.set_value([file] if place.proto.multiple_files else file)
    place.run()
    assert not app.exception
    return app


def refusal(app: AppTest) -> str:
    """The one sentence that says what was not done, without Markdown's signs."""
    (told,) = app.error
    return str(told.value).replace("\\", "")


def buttons(app: AppTest, start: str = "") -> list[str]:
    """The labels of the buttons whose keys begin so."""
    return [button.label.replace("\\", "") for button in app.button if (button.key or "").startswith(start)]


def undo(app: AppTest) -> Any:
    """The tap that takes the newest entry back, None where none is offered."""
    return next((button for button in app.button if (button.key or "").startswith("undo-")), None)
