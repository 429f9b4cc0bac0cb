"""Turns results into the texts and HTML that the pages show; it measures and decides nothing. Everything that a
person typed is escaped here, and every number comes with its uncertainty where it has one."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from functools import partial
from html import escape
from typing import TypeAlias
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import streamlit as st

from colourmatch.advice import Advice
from colourmatch.colour.difference import Figure
from colourmatch.colour.spaces import lab_to_hex
from colourmatch.dosing.advice_facts import SURE
from colourmatch.photo.card import read_card
from colourmatch.records import Array
from colourmatch.words import figures
from colourmatch.words.advice import tell_grounds
from colourmatch.words.entries import OUTCOMES
from colourmatch.words.times import tell_date, tell_time

Lab: TypeAlias = "Sequence[float] | Array"
#: Longest text that is still shown large as a whole.
MOST_LARGE = 140
#: Figures as pages show them: a true minus sign, "9.2 ± 0.4", a dash for what is not there.
show_number = partial(figures.tell_number, signs=figures.PAGES)
show_interval = partial(figures.tell_interval, signs=figures.PAGES)
show_spread = partial(figures.tell_spread, signs=figures.PAGES)
show_lab = partial(figures.tell_lab, signs=figures.PAGES)
#: drink-like colours that differ as a reference and a pale batch do
_FILLS = {"reference": "#c9503a", "batch": "#e08a72", "blank": "#f4f8f9"}
_WORDS = "The card from above: reference, batch and water in three rings, black squares around them."


def plain(text: object) -> str:
    """Text for a place that reads Markdown, so that it appears as it was typed."""
    return re.sub(r"([\\`*_{}\[\]<>()#+\-!|~$:])", r"\\\1", str(text))


def as_html(text: object) -> str:
    """Text for a place that reads HTML, line breaks kept."""
    return escape(str(text)).replace("\n", "<br>")


def as_address(data: bytes, kind: str) -> str:
    """A picture as the address of an image; kind: "jpeg" or "svg+xml"."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"


def show_time(moment: str | None) -> str:
    """A moment of the book as date and time where the browser is, else in UTC."""
    return tell_time(moment, browser_zone()) if moment else "–"


def show_date(moment: str) -> str:
    """The date of a moment where the browser is."""
    return tell_date(moment, browser_zone())


def browser_zone() -> tzinfo:
    """The time zone of who looks at the page, UTC where it is not known."""
    try:
        return ZoneInfo(st.context.timezone or "UTC")
    except (ZoneInfoNotFoundError, ValueError):  # a zone that this machine has no table of
        return UTC


def kicker(text: str) -> str:
    """A small heading over a value."""
    return f'<p class="cm-kicker">{as_html(text)}</p>'


def panel(heading: str, sentence: str, after: Iterable[str] = (), kind: str = "") -> str:
    """The one large sentence that says what to do now, with what belongs to it."""
    rest = "".join(f'<p class="cm-after">{as_html(line)}</p>' for line in after if line)
    return (
        f'<div class="cm cm-panel {kind}" role="status">{kicker(heading)}'
        f'<p class="cm-do">{as_html(sentence)}</p>{rest}</div>'
    )


def split_sentence(text: str) -> tuple[str, str]:
    """The first sentence of a text, and the rest."""
    first, *rest = re.split(r"(?<=[.])\s+(?=[A-Z])", text, maxsplit=1)
    return first, "".join(rest)


def advice_panel(advice: Advice, tolerance: float, waiting: str = "") -> str:
    """What to do now; `waiting` names what was added since the last photo.

    Under the large sentence: what it rests on, what is in the way.
    """
    stop = advice.action == "stop"
    outcome = OUTCOMES.get(advice.reason, "")
    heading = f"Stop: {outcome[:1].lower()}{outcome[1:]}".rstrip(": ") if stop else "Now"
    kind = {"stop": "stop", "rephotograph": "photo"}.get(advice.action, "")
    whole = advice.action == "rephotograph" and len(advice.text) <= MOST_LARGE
    first, rest = (advice.text, "") if whole else split_sentence(advice.text)
    lines = [rest, f"Added since the last photo: {waiting}." if waiting else ""]
    for name, ground in tell_grounds(advice, tolerance, signs=figures.PAGES):
        if name not in ("now", "ceiling"):  # they stand below, large
            lines.append(f"{figures.begin(name)}: {ground}.")
    return panel(heading, first, [*lines, *advice.besides], kind)


def line(text: str) -> str:
    """A quiet line under a chart or a value."""
    return f'<p class="cm cm-quiet">{as_html(text)}</p>'


def glance(cells: Iterable[str]) -> str:
    """Cells beside each other on a wide screen, one under the other on a phone."""
    return f'<div class="cm cm-glance">{"".join(f"<div>{cell}</div>" for cell in cells)}</div>'


def judge(part: Figure, tolerance: float, chance: float | None = None) -> str:
    """Where an interval lies against the tolerance, in words; chance: that it is within, where that is known."""
    if part.high <= tolerance or (part.low <= tolerance and (chance or 0.0) >= SURE):
        return f"within the tolerance of {tolerance:g}"
    if part.low > tolerance:
        return f"over the tolerance of {tolerance:g}"
    likely = "" if chance is None else f" ({100 * chance:.0f} % likely within)"
    return f"around the tolerance of {tolerance:g}{likely}"


def cell(heading: str, big: str, small: str = "") -> str:
    """A value with a heading over it and a line under it."""
    under = f'<p class="cm-quiet">{as_html(small)}</p>' if small else ""
    return f'{kicker(heading)}<p class="cm-big">{as_html(big)}</p>{under}'


def difference_cells(far: Figure, way: str, how: str) -> list[str]:
    """How far and which way: of one photo, or of several together."""
    return [
        cell("How far", show_interval(far), f"CIEDE2000, {how}"),
        cell("Which way", way, "the batch against the reference"),
    ]


def ceiling_cell(used: float, ceiling: float | None, left: float | None = None, place: str | None = None) -> str:
    """How much colour may still go in, as a number and as a bar.

    `left` is the least room under the lot's ceiling and the limits of `place`, mg/l.
    """
    if ceiling is None:
        own = "No ceiling of your own is set."
        if left is None or place is None:
            return cell("Colour in the batch", f"{figures.tell_amount(used, figures.PAGES)} mg/l", own)
        under = f"{figures.tell_amount(used, figures.PAGES)} mg/l in the batch, by the labels. {own}"
        return cell(f"Under the limits of {place}", figures.tell_left(left), under)
    room = ceiling - used
    share = 100.0 if ceiling <= 0 else min(max(used / ceiling, 0.0), 1.0) * 100
    bar = f'<div class="cm-bar {"over" if room < 0 else ""}"><i style="width:{share:.1f}%"></i></div>'
    law, in_it = "", figures.tell_amount(used, figures.PAGES)
    if place is not None and left is not None and left < room - 0.05:
        law = f". By the limits of {place}: {figures.tell_left(left)}"
    return (
        f'{kicker("Under the ceiling")}<p class="cm-big">{figures.tell_left(room)}</p>{bar}'
        f'<p class="cm-quiet">{in_it} of {figures.tell_amount(ceiling)} mg/l used, by the labels'
        f"{as_html(law)}</p>"
    )


@dataclass(frozen=True)
class Swatch:
    """A colour to show: its name, its Lab (D65, 2 degrees), a standard deviation and a few words."""

    name: str
    lab: Lab
    lab_sd: Lab | None = None
    words: str = ""


def swatches(colours: Iterable[Swatch]) -> str:
    """Colours edge to edge with name, words and Lab under each."""
    blocks = []
    for colour in colours:
        name, words = as_html(colour.name), f"<br>{as_html(colour.words)}" if colour.words else ""
        axes = show_lab(colour.lab, colour.lab_sd).split(", ")
        blocks.append(
            f'<div><div class="cm-colour" style="background:{lab_to_hex(colour.lab)}" role="img" aria-label="{name}"></div>'
            f'<div class="cm-words"><b>{name}</b>{words}<div class="cm-quiet">'
            + "".join(f'<span class="cm-part">{part}</span> ' for part in axes)
            + "</div></div></div>"
        )
    return f'<div class="cm cm-swatches">{"".join(blocks)}</div>'


def place_beside(reference: Lab, predicted: Mapping[str, Lab]) -> list[float]:
    """A predicted batch drawn against another reading of the reference: that reading plus the difference."""
    pairs = zip(reference, predicted["batch"], predicted["reference"], strict=True)
    return [seen + batch - model for seen, batch, model in pairs]


def flag_line(tag: str, text: str, kind: str = "") -> str:
    """A framed sentence that begins with a word such as Doubtful or Caution."""
    return f'<div class="cm cm-flag {kind}"><span class="cm-tag">{as_html(tag)}:</span>{as_html(text)}</div>'


def facts(rows: Mapping[str, object]) -> str:
    """A table of names and values, empty ones left out."""
    body = "".join(
        f"<tr><th scope='row'>{as_html(name)}</th><td>{as_html(value)}</td></tr>"
        for name, value in rows.items()
        if value not in (None, "")
    )
    return f'<table class="cm cm-facts">{body}</table>'


def empty(text: str) -> str:
    """What belongs in a place that is still empty."""
    return f'<div class="cm cm-empty">{as_html(text)}</div>'


def step(number: int, title: str, text: str) -> str:
    return f'<div class="cm cm-step"><b>{number}. {as_html(title)}</b>{as_html(text)}</div>'


def picture_of_card() -> str:
    """The card from above as an HTML image; every place in it is that of the card's file."""
    card = read_card()
    width, height = card.block_mm
    half = card.marker_size_mm / 2
    squares = "".join(
        f'<rect x="{x - half:g}" y="{y - half:g}" width="{2 * half:g}" height="{2 * half:g}"/>'
        for x, y in card.marker_centres_mm.values()
    )
    radius = card.ring_diameter_mm / 2
    glasses = "".join(
        f'<circle cx="{x:g}" cy="{y:g}" r="{radius - 3:g}" fill="{_FILLS[name]}" '
        f'stroke="#555" stroke-width="1.5"/><text x="{x:g}" y="{y + radius + 11:g}" '
        f'font-size="11" text-anchor="middle" fill="#1c1f20">{"water" if name == "blank" else name}</text>'
        for name, (x, y) in card.spots.items()
    )
    drawn = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-8 -8 {width + 16:g} {height + 16:g}" '
        f'font-family="sans-serif"><rect x="-7" y="-7" width="{width + 14:g}" height="{height + 14:g}" '
        f'rx="6" fill="#fff" stroke="#b9bdbe"/>{squares}{glasses}</svg>'
    )
    return f'<img class="cm-card" alt="{_WORDS}" src="{as_address(drawn.encode(), "svg+xml")}">'


def picture_of_glass(depth_mm: float, dilution: float, *, warm: bool) -> str:
    """A glass from the side as an HTML image: as full as it is deep, the paler the thinner, under its light."""
    top, floor, half = 92 - 1.1 * depth_mm, 92.0, 13 + 400 / (depth_mm + 10)
    strength = 0.3 + 0.6 / dilution**0.5
    lamp = "#f0b45a" if warm else "#9fc6e8"
    drawn = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 110">'
        f'<circle cx="88" cy="12" r="9" fill="{lamp}"/>'
        f'<path d="M{50 - half:g} {top:g}H{50 + half:g}V{floor:g}H{50 - half:g}z" fill="{_FILLS["reference"]}" '
        f'fill-opacity="{strength:.2f}"/>'
        f'<path d="M{50 - half:g} {top - 14:g}V{floor + 6:g}H{50 + half:g}V{top - 14:g}" fill="none" stroke="#7d8588" '
        'stroke-width="3" stroke-linejoin="round"/></svg>'
    )
    return f'<img class="cm-glass" alt="" src="{as_address(drawn.encode(), "svg+xml")}">'
