"""The one answer of a lot as a block that is read at arm's length, and the scale under it; it decides nothing."""

from __future__ import annotations

from dataclasses import dataclass

from colourmatch.advice import Advice
from colourmatch.book.entries import LotStory
from colourmatch.measurement import Figure
from colourmatch.screens import html, lot_words
from colourmatch.words import advice as words
from colourmatch.words.entries import split_closing
from colourmatch.words.figures import jug_ml, tell_quantity
from colourmatch.workflow.thinning import Thinning

_SIGN = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 48 48" fill="none" stroke="#fff" stroke-width="4" '
    'stroke-linecap="round" stroke-linejoin="round">{}</svg>'
)
#: A sign of another shape for each state, drawn in a square of 48 units.
_SIGNS = {
    "add": '<path d="M24 4C15 17 9 24 9 31a15 15 0 0 0 30 0C39 24 33 17 24 4zM24 22v16M16 30h16"/>',
    "photo": '<path d="M4 14h9l4-6h14l4 6h9v27H4z"/><circle cx="24" cy="27" r="8"/>',
    "stop": '<path d="M15 3h18l12 12v18L33 45H15L3 33V15zM15 24h18"/>',
    "question": '<path d="M17 17a7 7 0 1 1 10 7c-3 2-3 4-3 7M24 38v2"/>',
    "closed": '<path d="M6 25l12 12L42 11"/>',
}


@dataclass(frozen=True)
class Answer:
    """What stands in the block: its state, the large lines with a small one after each, and a sentence under them."""

    state: str
    lines: tuple[tuple[str, str], ...]
    under: str = ""


def find_answer(story: LotStory, advice: Advice, waiting: str, thinning: Thinning | None = None) -> Answer:
    """The answer of a lot; `waiting` names what was added since the last photo, `thinning` the water that is wanted."""
    if story.closing is not None:
        outcome, _ = split_closing(story.closing.outcome, story.closing.text)
        return Answer("closed", ((words.STATES["closed"].upper(), ""),), outcome)
    question = advice.question
    if question and asks_first(advice):
        return Answer("question", (), question.text)
    if doses := advice.steps:
        lines = tuple((tell_quantity(*dose.amount), dose.stock) for dose in doses)
        if len(doses) == 1:
            return Answer("add", ((lines[0][0], ""),), f"of {lines[0][1]}, then stir")
        return Answer("add", lines, "then stir")
    if not story.photos and not waiting:
        return Answer("photo", ((words.FIRST_PHOTO, ""),))
    if advice.action == "stop":
        fills_up = set_aside_ml(advice) > 0
        why = words.tell_why(advice.reason, story.lot.stocks, untinted_ml(advice), fills_up=fills_up)
        return Answer("stop", ((words.STATES["stop"].upper(), ""),), why)
    text = advice.text
    first = html.split_sentence(text)[0]
    if waiting:
        return Answer("photo", ((words.NEXT_PHOTO, ""),), "" if text == words.STIR else first)
    if thinning is not None and thinning.text == text:
        return Answer("photo", ((words.THIN_PHOTO.format(thinning.parts), ""),), first)
    under = words.tell_either(question.text) if question else first
    return Answer("photo", ((words.ANOTHER_PHOTO, ""),), under)


def asks_first(advice: Advice) -> bool:
    """Whether a question is the answer."""
    question = advice.question
    return bool(question and question.sure and advice.text == question.text)


def untinted_ml(advice: Advice) -> float:
    """How much untinted batch is to be blended back as the next act, 0 where another colour is what helps."""
    if advice.reason != "past" or advice.other_stocks or advice.missing_kind:
        return 0.0
    return set_aside_ml(advice) or jug_ml(advice.rescue.untinted_ml if advice.rescue else 0.0)


def set_aside_ml(advice: Advice) -> float:
    """How much of the batch is to be replaced by untinted batch as the next act, 0 where none is."""
    back = advice.rescue if advice.reason == "past" else None
    return jug_ml(back.set_aside_ml, at_most=True) if back else 0.0


def draw_answer(answer: Answer, *, old: bool = False) -> str:
    """The block as HTML; old: while a photo is measured that may change it."""
    word, drawn = words.STATES[answer.state].upper(), _SIGN.format(_SIGNS[answer.state])
    sign = f'<img alt="" src="{html.as_address(drawn.encode(), "svg+xml")}">'
    lines = [
        f'{html.as_html(large)}<span class="cm-of">{html.as_html(small)}</span>'
        for large, small in answer.lines
    ]
    if answer.lines and answer.lines[0][0] == word:  # the word is the answer itself
        head, lines = "", [f"{sign}{html.as_html(word)}"]
    else:
        head = f'<p class="cm-state">{sign}{html.as_html(word)}</p>'
    large = "".join(f'<p class="cm-large">{line}</p>' for line in lines)
    under = f'<p class="cm-under">{html.as_html(answer.under)}</p>' if answer.under else ""
    return f'<div class="cm cm-answer {answer.state}{" old" if old else ""}" role="status">{head}{large}{under}</div>'


def find_place(story: LotStory, advice: Advice, waiting: str) -> tuple[str, Figure, bool] | None:
    """Which way the batch is off, how far with its interval, and whether that is only expected; None while not known."""
    if waiting:
        return ("", advice.expected, True) if advice.expected else None
    last = lot_words.last_compared(story)
    if last is None:
        return ("", advice.now, False) if advice.now else None
    seen = lot_words.find_shown(story, advice) or last
    far = advice.now or seen.delta_e_2000
    return (seen.difference.text, far, False) if seen.difference and far else None


def draw_scale(way: str, now: Figure, tolerance: float, *, expected: bool) -> str:
    """The sentence of where the batch stands, and the same as a drawing: the match left, the interval as a band."""
    sentence = words.tell_place(way, now.to_json(), tolerance, expected=expected)
    most = max(1.15 * now.high, 2.5 * tolerance)
    places = (tolerance, now.low, now.high, now.value)
    good, low, high, here = (100 * min(max(place / most, 0.0), 1.0) for place in places)
    return (
        f'<div class="cm cm-place"><p>{html.as_html(sentence)}</p><div class="cm-scale" aria-hidden="true">'
        f'<i class="cm-good" style="width:{good:.1f}%"></i>'
        f'<i class="cm-band" style="left:{low:.1f}%;width:{max(high - low, 1):.1f}%"></i>'
        f'<i class="cm-mark{" hollow" if expected else ""}" style="left:{here:.1f}%"></i></div></div>'
    )
