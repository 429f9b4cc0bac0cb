"""What a visit needs on every page: the open book, the chosen lot, tokens against double taps, failures. Nothing of a
lot is kept here: the address names the lot, the book holds everything else."""

from __future__ import annotations

import json
import logging
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar
from urllib.parse import quote, unquote

import streamlit as st

from colourmatch.amounts import SIZES, Question, ask_about
from colourmatch.book.entries import LotStory
from colourmatch.book.lot_book import LotBook, is_without_room, open_or_read_book, tell_state
from colourmatch.book.opening import book_path, find_location, parse_location
from colourmatch.book.transactions import By
from colourmatch.errors import ColourMatchError, InputError, QuestionError, UsedTokenError
from colourmatch.screens import drafts, html
from colourmatch.sharing.gate import VISITOR_HEADER
from colourmatch.words.figures import tell_typed

T = TypeVar("T")
_LOG = logging.getLogger("colourmatch")
_SURPRISE = (
    "Something went wrong in the program. What was recorded before is safe. Try once more; if it happens "
    "again, look at the window in which the app was started, where the fault is written down."
)

# The mark makes each script another one, so that it runs again.
_TO_TOP = "<script>/* {mark} */ document.querySelector('[data-testid=\"stMain\"]')?.scrollTo(0, 0);</script>"
_OUTDATED = "Another entry came after what was typed or tapped here: that is not written down. Enter it again if it still holds."
#: What is done once: it gets its token and gives the sentence that says what was done.
Once = Callable[[str], str]
#: token -> what was said when its act was done: the answer to a second tap that was under way with the first.
_done: dict[str, str] = {}
_MOST_DONE = 500

_LOOKING = (
    "Everything can be looked at and taken along as sheets, labels and tables. To enter something, change the rights of "
    "the file and its folder, or give another book with --book."
)


@st.cache_resource(show_spinner=False, max_entries=4)
def _open(location: str, state: tuple[int, ...] | None) -> LotBook:
    return open_or_read_book(location)


def current_book() -> LotBook:
    """The lot book of this app, opened once; when it cannot be opened the page says so and ends.

    One that may only be read is opened again when it was written elsewhere, or may be written at last.
    """
    try:
        location = find_location(None)
        path = book_path(parse_location(location))
        state = None if path is None else tell_state(path)
        book = _open(location, state)
        if path is not None and state is None and book.read_only and not is_without_room(path):
            _open.clear()  # there is room on its disk again
            book = _open(location, state)
        return book
    except ColourMatchError as error:
        show_failure(error)
        st.stop()


def may_enter() -> bool:
    """Whether anything can be entered; in a book that may only be read the pages show no forms."""
    return not current_book().read_only


def run_page(page: Any) -> None:
    """Run a page; what nobody foresaw becomes a plain sentence here and a trace in the log."""
    place = current_book().place
    try:
        with failures_shown(lambda: drafts.drop(place), "a page"):
            drafts.take_up(place, str(page.url_path))
            show_notices(here=page.url_path != "match")
            if not may_enter():
                st.info(f"{html.plain(current_book().note)} {_LOOKING}", icon=":material/visibility:")
            page.run()
            if mark := st.session_state.pop("to-top", None):  # a script, because Streamlit has no call for it
                st.html(_TO_TOP.format(mark=mark), unsafe_allow_javascript=True)
    finally:
        drafts.keep(place)


def show_failure(error: ColourMatchError) -> None:
    """The sentence of an error as it stands."""
    st.error(html.plain(error.text))


@contextmanager
def failures_shown(on_fault: Callable[[], None] = lambda: None, what: str = "an action") -> Iterator[None]:
    """Show a failure in place and go on, so that everything typed around it stays; on_fault: after one of the program;
    what: failed, for the log."""
    try:
        yield
    except ColourMatchError as error:
        show_failure(error)
    except Exception:
        _LOG.exception("%s failed", what)
        on_fault()
        st.error(_SURPRISE)


def notify(text: str, *, of_entry: bool = False) -> None:
    """A sentence for the page after the next run; of_entry: it says that the newest entry is written down."""
    st.session_state.setdefault("notices", []).append((text, of_entry))


def take_notices(*, of_entry: bool = True) -> list[str]:
    """The sentences that `notify` kept, once; of_entry: those that say that an entry is written down too."""
    return [text for text, is_said in st.session_state.pop("notices", []) if of_entry or not is_said]


def show_notices(*, here: bool = True) -> None:
    """The sentences that `notify` kept, once each: at the top, where page.css keeps them in view of a page scrolled down.

    here: else the page has a place of its own for them, and they wait for it.
    """
    # The container is there in every run: without it all below moves up one place when the sentence goes,
    # and the tab or the form that the person has just opened falls shut.
    st.session_state["notice-place"] = place = st.container(key="cm-notices" if here else None)
    with place:
        for text in take_notices() if here else ():
            st.success(html.plain(text))


def go_to_top() -> None:
    """Show the page from its top after the next run, where the advice stands."""
    st.session_state["to-top"] = uuid.uuid4().hex


def token_for(action: str, about: int | None = None) -> str:
    """The token of an action that is not done yet; a second tap sends the same one and adds nothing.

    `about` is the entry that the act is about, such as the newest of its lot. Once that is another entry the token is
    another one, and with it every field whose key holds it: what was typed or tapped for the older one is over.
    """
    key = f"token-{action}"
    known = st.session_state.get(key)
    if known is not None and about is not None and known.partition("-")[0] != str(about):
        _tell_outdated(known)
        known = None
    if known is None:
        known = uuid.uuid4().hex if about is None else f"{about}-{uuid.uuid4().hex}"
        st.session_state[key] = known
    return str(known)


def _tell_outdated(token: str) -> None:
    """Say at the top, once in a run, that something typed or tapped is over; to a double tap, what the first did."""
    tapped = any(token in str(key) and value is True for key, value in st.session_state.items())
    if not (tapped or drafts.holds(token)) or "notice-place" not in st.session_state:
        return
    with st.session_state.pop("notice-place"):
        if tapped and token in _done:
            st.success(html.plain(_done[token]))
        else:
            st.warning(_OUTDATED)


def act_once(action: str, act: Once, *, to_top: bool = False) -> None:
    """Do something with its token; when it succeeds say what it says, renew the token and start over.

    Fields whose key holds the token are empty again afterwards; when it fails they keep what was typed. `to_top`: the
    page is then shown from its top, where the answer and the way back stand.
    """
    with failures_shown():
        token = token_for(action)
        try:
            text = _done[token] = act(token)
        except UsedTokenError:  # what was entered with it is there; what is typed now is another act
            st.session_state.pop(f"token-{action}", None)
            raise
        for old in list(_done)[:-_MOST_DONE]:
            _done.pop(old, None)
        st.session_state.pop(f"token-{action}", None)
        notify(text, of_entry=True)
        if to_top:
            go_to_top()
        st.rerun()


def ask(token: str, question: str) -> None:
    """QuestionError about what is to be entered, once an action: the same button with the same amount answers it."""
    asked = st.session_state.setdefault(f"asked-{token}", [])
    if question not in asked:
        asked.append(question)
        raise QuestionError(question)


def ask_amount(token: str, question: Question | None) -> None:
    """The question that an absurd amount raises, where it does."""
    if question is not None:
        ask(token, question.text("tap the button again", bare=True))


def ask_size(token: str, field: str, value: float | None, size: str) -> None:
    """Ask about an amount of a field, in the unit of its size, where another reading is the usual one."""
    if value is not None:
        ask_amount(token, ask_about(value, f"{field}: {tell_typed(value)}", SIZES[size]))


def mark_of(story: LotStory) -> tuple[Any, ...]:
    """What all that is computed of a lot depends on: it is computed again once this is another."""
    last = story.events[-1].id if story.events else 0
    stocks = tuple((stock.id, stock.changed_at) for stock in story.stock_entries)
    return current_book().place, last, len(story.events), stocks


@st.cache_data(show_spinner=False, max_entries=128)
def _compute(_book: LotBook, _act: Callable[[LotBook, int], Any], name: str, lot_id: int, mark: tuple[Any, ...]) -> Any:  # fmt: skip
    return _act(_book, lot_id)


def compute(story: LotStory, act: Callable[[LotBook, int], T]) -> T:
    """What a function finds of a lot in the book; computed again only when something was entered since."""
    found: T = _compute(current_book(), act, act.__qualname__, story.lot.id, mark_of(story))
    return found


def chosen_lot_id() -> int | None:
    """The lot that the address names, else the one last looked at in this visit, else the newest open one."""
    book = current_book()
    asked = st.query_params.get("lot") or st.session_state.get("lot")
    if asked is not None:
        try:
            return book.lots.get(str(asked)).id
        except ColourMatchError:
            if "lot" in st.query_params:
                st.warning(f"There is no lot {html.plain(asked)} in this book. Look for it under Lots.")
    newest = book.lots.search(open_only=True, limit=1)
    return newest[0].id if newest else None


def choose_lot(lot_id: int) -> None:
    """Keep the lot in the address, so that a reload comes back to it."""
    st.session_state["lot"] = str(lot_id)
    if st.query_params.get("lot") != str(lot_id):
        st.query_params["lot"] = str(lot_id)


def is_at_this_machine() -> bool:
    """Whether the visitor sits at the machine that runs the app; the gate says so, and no browser can."""
    return st.context.headers.get(VISITOR_HEADER, "here") == "here"


#: What a browser keeps from visit to visit, in a cookie of its own that a script of the page writes.
_KEPT = ("who", "measures")
_COOKIE, _YEAR_S = "colourmatch_habits", 365 * 86400
_MOST_SIGNS = 3000
_WRITE = "<script>document.cookie = '{name}={value}; path=/; max-age={seconds}; SameSite=Strict';</script>"
MEASURES = METRIC, US = "ml", "ml and US measures"


def shows_us() -> bool:
    """Whether volumes are shown in fluid ounces and teaspoons too; off unless chosen under Set up."""
    return st.session_state.get("measures") == US


def entered_by() -> str | None:
    """The name or initials that this browser keeps, None without."""
    return str(st.session_state.get("who") or "").strip()[:120] or None


def note_out_of_reach(key: str, said: str) -> bool:
    """Note for this run that the number of a field is out of reach; whether the field is an act's, by its token."""
    begun = (str(value) for name, value in st.session_state.items() if str(name).startswith("token-"))
    token = next((one for one in begun if one in key), "")
    st.session_state.setdefault("out-of-reach", {})[key] = token, said
    return bool(token)


def who_enters(token: str = "") -> str | None:
    """Who enters something; InputError while a number of its act, or of the page where it has no token, is out of reach."""
    for begun, said in st.session_state.get("out-of-reach", {}).values():
        if not token or (begun and begun in token):
            raise InputError(said)
    return entered_by()


def by(token: str) -> By:
    """Who enters something in this visit, and the token of the act; InputError as in `who_enters`."""
    return {"entered_by": who_enters(token), "token": token}


def keep_habits() -> None:
    """Take up what the browser brought, and write what was chosen since; called at the beginning of every run."""
    state = st.session_state
    if "habits" not in state:
        for key, value in _read().items():
            state.setdefault(key, value)
    habits = state["habits"] = {key: state[key] for key in _KEPT if state.get(key)}
    value = quote(json.dumps(habits))
    seconds = _YEAR_S if habits and len(value) <= _MOST_SIGNS else 0
    st.html(_WRITE.format(name=_COOKIE, value=value, seconds=seconds), unsafe_allow_javascript=True)


def _read() -> dict[str, str]:
    """The cookie's fields; empty where there is none or it holds something else."""
    try:
        read = json.loads(unquote(str(st.context.cookies.get(_COOKIE))))
    except ValueError:
        return {}
    if not isinstance(read, dict):
        return {}
    known = {key: read[key] for key in _KEPT if isinstance(read.get(key), str)}
    if known.get("measures") not in MEASURES:
        known.pop("measures", None)
    return known
