"""Fields that pages share, with the book's limits, and acts that count once: each with its token, its keys and its
button."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from typing import Any, NamedTuple

import streamlit as st

from colourmatch.book.checks import LABEL_LINES, LIMITS
from colourmatch.book.entries import LotEntry, LotFigures, LotStory
from colourmatch.liquid.colourants import find_colourant, list_colourants
from colourmatch.screens import drafts, html, session
from colourmatch.screens.lot_words import newest_id
from colourmatch.words.figures import tell_typed

#: Figure of a lot -> what its field is called, its step, and its help.
FIGURES = {
    "volume_ml": ("Batch, ml", 50.0, None),
    "ceiling_mg_per_l": (
        "Your ceiling, mg/l", 5.0,
        "The most colour in a litre, pure dye, the base's own included. It is never raised.",
    ),
    "tolerance": (
        "Tolerance, CIEDE2000", 0.1, "How near is near enough. Differences near 1 are hard to see side by side.",
    ),
    "depth_mm": ("Depth in the glass, mm", 1.0, "How deep the liquid stands when it is photographed."),
    "dilution": (
        "Thinned, 1 part made up to", 1.0,
        "1 is undiluted. 5 is 1 part with 4 of water, both glasses alike, for strong colours.",
    ),
    "made_up_to": (
        "By its label, 1 part made up to", 1.0,
        "A cordial is sold to be thinned: limits of the law hold for the drink so made up.",
    ),
    "already_mg_per_l": (
        "Colour already in, mg/l", 1.0, "Added colour that the base brings with it. 0 when none.",
    ),
}  # fmt: skip
UNKNOWN = "unknown"
#: Line of the label -> what its field is called.
_LINES = {
    "ingredients": "Ingredients, without the colours",
    "contents": "Contents",
    "best_before": "Best before",
    "producer": "Producer",
    "keeping": "How to keep it",
}


class Act(NamedTuple):
    """An act that counts once; its token is in the keys of its fields, which are empty again when it is done."""

    name: str
    token: str

    def key(self, *parts: object) -> str:
        return "-".join(map(str, (self.name, *parts, self.token)))

    def is_typed(self) -> bool:
        """Whether something was typed for it and not sent: its form is then shown unfolded."""
        return drafts.holds(self.token)

    def offer(
        self, words: str, act: session.Once, *part: object, at: Any = st, to_top: bool = False, **other: Any
    ) -> None:
        """The button that does it; at: its place on the page."""
        if at.button(words, key=self.key(*part), **{"width": "stretch", **other}):
            session.act_once(self.name, act, to_top=to_top)


def begin_act(name: str, about: int | None = None) -> Act:
    """An act by its name; about: the entry that ends it once that is another."""
    return Act(name, session.token_for(name, about))


def act_on(story: LotStory, name: str, *kinds: type[LotEntry], of: str = "") -> Act:
    """An act on a lot, over once another entry is there, of these kinds where some are named; of: what it is about."""
    return begin_act(f"{name}-{story.lot.id}{'-' if of else ''}{of}", newest_id(story, *kinds))


def ask_name(words: str, key: str, hint: str = "", value: str = "", *, place: Any = st, **other: Any) -> str:
    """A field for a name, without blanks around it."""
    given = {"max_chars": 120, "placeholder": hint} | other
    return str(place.text_input(words, value=value, key=key, **given)).strip()


def ask_number(
    place: Any,
    words: str,
    key: str,
    value: float | None,
    low: float | None = None,
    high: float | None = None,
    step: float | None = None,
    **other: Any,
) -> Any:
    """A field for a number from `low` (0 where None) up to `high`; while it holds another one nothing is entered with it
    (session.who_enters); where no act would say so it is said at once, and the nearest end counts.

    A browser that knew the ends would show such a number and send the one before it.
    """
    typed = place.number_input(words, value=value, key=key, **{"step": step, "format": "%g"} | other)
    least, most = low or 0.0, math.inf if high is None else high
    if typed is None or least <= typed <= most:
        return typed
    ends = f"{tell_typed(least)} or more" if high is None else f"{tell_typed(least)} to {tell_typed(most)}"
    said = f"{words}: {tell_typed(typed)} cannot be. Give {ends}."
    if not session.note_out_of_reach(key, said.replace("\\", "")):  # names in words are escaped
        place.error(said)
    return min(max(typed, least), most)


def ask_figure(place: Any, name: str, key: str, value: float | None, *, words: str = "", **other: Any) -> Any:
    """A field for a figure in a place of the page; `words` call it otherwise, `other` goes to the field as it is."""
    called, step, told = FIGURES[name]
    _, least, _, high, _ = LIMITS[name]
    hint = None
    if name == "ceiling_mg_per_l":  # a lot may do without: a field that begins with a value cannot be emptied
        st.session_state.setdefault(key, value)
        value, hint = None, "none"
    given = {"low": least, "high": high, "step": step, "help": told, "placeholder": hint}
    return ask_number(place, words or called, key, value, **given | other)


def choose_one(words: str, options: Iterable[str], key: str, default: str | None = None, **other: Any) -> Any:
    """One of a few words that stand beside each other, at first the default, else the first."""
    listed = list(options)
    return st.segmented_control(words, listed, default=default or listed[0], required=True, key=key, **other)


def pick_one(words: str, names: Mapping[Any, str], key: str, *, place: Any = st, **other: Any) -> Any:
    """One of many that are shown by their names, those of one name with what sets them apart: the browser sends the name."""
    often = Counter(names.values())
    shown = {one: name if often[name] == 1 else f"{name} ({one})" for one, name in names.items()}
    return place.selectbox(words, list(shown), format_func=shown.__getitem__, key=key, **other)


def name_colourant(code: str) -> str:
    """A colourant for a list: name and E number."""
    if code == UNKNOWN:
        return "Unknown bottle (to be learnt from the photos)"
    colourant = find_colourant(code)
    return f"unknown bottle ({colourant.note})" if ":" in code else f"{colourant.name} ({colourant.e_number})"


def name_colourants() -> dict[str | None, str]:
    return {one.e_number: name_colourant(one.e_number) for one in list_colourants()}


def two_beside(count: int, **look: Any) -> Iterator[Any]:
    """So many places in two columns, row by row, so that a phone keeps the order."""
    return iter([place for _ in range(-(-count // 2)) for place in st.columns(2, **look)])


def ask_who() -> None:
    st.text_input(
        "Your name or initials (optional)", key="who", max_chars=120, persist_state="session",
        help="Written beside what you enter from now on. This browser keeps it.",
    )  # fmt: skip


def ask_hand(key: str, value: str = "drops") -> str:
    told = "Drops where nothing else is said. On a scale, grams."
    return str(choose_one("Doses measured in", ("drops", "ml", "grams"), key, value, help=told))


def ask_head(
    act: Act,
    names: Collection[str],
    now: LotFigures,
    lines: Mapping[str, str],
    called: Mapping[str, str] = {},
) -> dict[str, Any]:
    """Figures of a lot, those of `names` in two columns, at first as they are now; `lines`: those of its label; called:
    what some are called here."""
    places = two_beside(len(names) + 1)
    head = {
        name: ask_figure(next(places), name, act.key(name), getattr(now, name), words=called.get(name, ""))
        for name in names
    }
    known = now.already_colourant
    own = {known: name_colourant(known)} if known else {}
    names_in = {None: "not known, or none"} | own | name_colourants()
    head["already_colourant"] = pick_one(
        "Which colour is already in", names_in, act.key("already-which"), place=next(places),
        index=list(names_in).index(known), help="It then counts for that colourant's own limit too, and is named on the label.",
    )  # fmt: skip
    head["hand"] = ask_hand(act.key("hand"), now.hand)
    with st.expander("Lines of the label"):
        typed = {
            name: st.text_input(_LINES[name], lines.get(name, ""), key=act.key("label", name), max_chars=500)
            for name in LABEL_LINES
        }
    return head | {"label_lines": {name: line.strip() for name, line in typed.items() if line.strip()}}


def show_known(known: list[Any], none: str, show_one: Callable[[Any], None], ask: Callable[[list[Any]], None]) -> None:
    """What is in the book of one kind, and the form for more."""
    if not known:
        st.html(html.empty(none))
    for one in known:
        show_one(one)
    if session.may_enter():
        ask(known)
