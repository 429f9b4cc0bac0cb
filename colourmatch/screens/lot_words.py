"""What is told of a lot: its entries, what belongs to its last photo, its one answer with the scale under it; it decides
nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace

from colourmatch.advice import Advice, Together
from colourmatch.book.entries import ClosingEntry, Lot, LotEntry, LotStory, PhotoEntry, number_photos
from colourmatch.colour.difference import Figure
from colourmatch.measurement import Measurement
from colourmatch.screens import html, session
from colourmatch.words import advice as words
from colourmatch.words.entries import (
    Medium,
    split_closing,
    tell_aside,
    tell_basis,
    tell_dose,
    tell_entry,
    tell_head,
)
from colourmatch.words.figures import PAGES, jug_ml, tell_quantity
from colourmatch.workflow.ceilings import ceiling_left
from colourmatch.workflow.lot import Thinning
from colourmatch.workflow.photo_colours import photo_view, since_photo


def closing_panel(closing: ClosingEntry) -> str:
    outcome, said = split_closing(closing.outcome, closing.text)
    when = f"Closed on {html.show_time(closing.created_at)}{tell_basis(closing.final)}."
    return html.panel("Closed", outcome, [said, closing.against, when], "stop")


def newest_id(story: LotStory, *kinds: type[LotEntry]) -> int:
    """The newest entry of a lot, of any of these kinds where some are named; 0 while there is none."""
    return max((entry.id for entry in story.events if not kinds or isinstance(entry, kinds)), default=0)


def compared_photos(story: LotStory) -> list[PhotoEntry]:
    """The photos taken for the match that showed both liquids and count, in order; not those after the closing."""
    return [photo for photo in story.matched if photo.measurement.delta_e_2000]


def last_compared(story: LotStory) -> Measurement | None:
    """What the last of them gave, None while there is none."""
    photos = compared_photos(story)
    return photos[-1].measurement if photos else None


def show_ceiling(story: LotStory) -> str:
    used, lot = story.state().total_mg_per_l(), story.lot
    return html.ceiling_cell(used, lot.ceiling_mg_per_l, ceiling_left(story), lot.jurisdiction)


def name_each_photo(story: LotStory) -> dict[int, str]:
    """All photos by entry as pages call them: "photo 3"."""
    return {entry_id: f"photo {number}" for entry_id, number in number_photos(story).items()}


def name_photos(story: LotStory) -> dict[int, str]:
    """All photos by entry with their number, time, what they are of, and whether they were set aside."""
    names = name_each_photo(story)
    for photo in story.photos:
        later = "" if photo.purpose == "match" else " (after the closing)"
        aside = "" if photo.aside is None else f" ({tell_aside(photo.aside)})"
        names[photo.id] += f", {html.show_time(photo.created_at)}{later}{aside}"
    return names


def alike_photos(story: LotStory) -> dict[int, PhotoEntry]:
    """The compared photos by number that show the liquids as deep and as thinned as the last one: others lie elsewhere."""
    numbers = number_photos(story)
    numbered = {numbers[photo.id]: photo for photo in compared_photos(story)}
    views = {number: photo_view(story.lot, photo.measurement) for number, photo in numbered.items()}
    return {number: photo for number, photo in numbered.items() if views[number] == views[max(numbered)]}


def find_combined(story: LotStory, advice: Advice) -> Together | None:
    """What the photos of the last photographed state give together, None while there is but one."""
    photos = story.counting_photos
    last = photos[-1].advice if photos else None
    known = advice if advice.action and advice.state_photographed else last
    together = known.combined if known else None
    return together if together and len(together.photos) > 1 else None


def find_shown(story: LotStory, advice: Advice) -> Together | None:
    """The same where it says something: torn photos say nothing together, and the last one is shown."""
    together = find_combined(story, advice)
    return together if together and (together.agree or together.retake) else None


def describe_photos(together: Together | None) -> str:
    """What a shown difference rests on: "last photo", or "last 3 photos"."""
    return f"last {len(together.photos)} photos" if together else "last photo"


def describe_since_photo(story: LotStory) -> str:
    """What changed the batch after the last photo, in words; empty when nothing did."""
    began = story.came_along  # a trial begins with it
    return ", ".join(tell_dose(entry) for entry in since_photo(story).changes if entry.id not in began)


def advice_of_last_photo(story: LotStory) -> Advice | None:
    """The advice that was worked out with the last photo, None when anything was entered or learnt since."""
    if not story.photos or story.events[-1].id != story.photos[-1].id:
        return None
    last = story.photos[-1]
    return None if any(one.changed_at > last.created_at for one in story.stock_entries) else last.advice


def medium_of(story: LotStory) -> Medium:
    """How a page tells the entries of a lot, which have no numbers there."""
    page = Medium(signs=PAGES, us=session.shows_us(), clock=html.show_time, names=name_each_photo(story))
    others = {entry.id: tell_entry(entry, page) for entry in story.events if entry.kind != "moved"}
    return replace(page, names=others | dict(page.names))


def tell_rows(story: LotStory) -> dict[int, str]:
    """Each entry by number as HTML; replaced ones are struck out, corrections say why."""
    rows, medium = {}, medium_of(story)
    for entry in story.events:
        gone = "gone" if entry.replaced_by_id is not None else ""
        who = f", {html.as_html(entry.entered_by)}" if entry.entered_by else ""
        when = html.show_time(entry.created_at)
        if entry.moved_by_id is not None:
            when = f"{html.show_time(entry.happened_at)}, as it was put right; entered {when}"
        mark = " (corrected later)" if gone else ""
        if isinstance(entry, PhotoEntry) and entry.aside is not None:
            mark = f" ({tell_aside(entry.aside)})"
        rows[entry.id] = (
            f'<span class="{gone}">{html.as_html(tell_entry(entry, medium))}</span>{html.as_html(mark)}'
            f'<br><span class="cm-quiet">{when}{who}</span>'
        )
    return rows


def head_facts(lot: Lot) -> dict[str, str]:
    begun = html.show_time(lot.created_at) + (f", {lot.entered_by}" if lot.entered_by else "")
    named = {"Name": lot.name, "Number": lot.label, "Begun": begun, "Stocks": ", ".join(lot.stocks)}
    return named | tell_head(lot, session.shows_us()) | {"Notes": lot.notes}


# ---- the one answer ----------------------------------------------------------------------------------------------

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
    "closed": '<path d="M12 6h24v9H12zM14 15v27h20V15M14 27h20"/>',
    "matched": '<path d="M6 25l12 12L42 11"/>',
}


@dataclass(frozen=True)
class Answer:
    """What stands in the block: its state, the large lines with a small one after each, and a sentence under them.

    matched: it stops, or was closed, since all is well, and looks like it.
    """

    state: str
    lines: tuple[tuple[str, str], ...]
    under: str = ""
    matched: bool = False


def find_answer(story: LotStory, advice: Advice, waiting: str, thinning: Thinning | None = None) -> Answer:
    """The answer of a lot; `waiting` names what was added since the last photo, `thinning` the water that is wanted."""
    if story.closing is not None:
        outcome, _ = split_closing(story.closing.outcome, story.closing.text)
        under = f"{outcome} Not photographed since {waiting}." if waiting else outcome
        return Answer("closed", ((words.STATES["closed"].upper(), ""),), under, story.closing.outcome == "matched")
    question = advice.question
    if question and asks_first(advice):
        return Answer("question", (), question.text)
    helps = next((one.name for one in (*advice.other_stocks, advice.missing_kind) if one), "")
    if doses := advice.steps:
        lines = tuple((tell_quantity(*dose.amount), dose.stock) for dose in doses)
        alone = lines[0][1] if len(doses) == 1 else ""
        under = words.tell_step(alone, words.find_best(advice), story.lot.tolerance, helps)
        return Answer("add", ((lines[0][0], ""),) if alone else lines, under)
    if not story.counting_photos and not waiting:
        return Answer("photo", ((words.FIRST_PHOTO, ""),))
    if advice.action == "stop":
        fills_up = set_aside_ml(advice) > 0
        why = words.tell_why(advice.reason, story.lot.stocks, untinted_ml(advice), fills_up=fills_up, missing=helps)
        why += words.UNNOTED if advice.reason == "nearest" and not (helps or story.additions) else ""
        return Answer("stop", ((words.STATES["stop"].upper(), ""),), why, advice.reason == "matched")
    text = advice.text
    first = html.split_sentence(text)[0]
    if waiting:
        return Answer("photo", ((words.NEXT_PHOTO, ""),), "" if text == words.STIR else first)
    if thinning is not None and thinning.text == text:
        return Answer("photo", ((words.THIN_PHOTO.format(thinning.parts), ""),), first)
    # of causes that a further photo tells apart, without what to do about it
    under = question.text.partition(" Stir,")[0] if question else first
    return Answer("photo", ((words.ANOTHER_PHOTO, ""),), under)


def asks_first(advice: Advice) -> bool:
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
    word = words.STATES[answer.state].upper()
    drawn = _SIGN.format(_SIGNS["matched" if answer.matched else answer.state])
    sign = f'<img alt="" src="{html.as_address(drawn.encode(), "svg+xml")}">'
    lines = [f'{html.as_html(large)}<span class="cm-of">{html.as_html(small)}</span>' for large, small in answer.lines]
    if answer.lines and answer.lines[0][0] == word:  # the word is the answer itself
        head, lines = "", [f"{sign}{html.as_html(word)}"]
    else:
        head = f'<p class="cm-state">{sign}{html.as_html(word)}</p>'
    large = "".join(f'<p class="cm-large">{line}</p>' for line in lines)
    under = f'<p class="cm-under">{html.as_html(answer.under)}</p>' if answer.under else ""
    kind = f"{'matched ' if answer.matched else ''}{answer.state}{' old' if old else ''}"
    return f'<div class="cm cm-answer {kind}" role="status">{head}{large}{under}</div>'


def find_place(story: LotStory, advice: Advice, waiting: str) -> tuple[str, Figure, bool] | None:
    """Which way the batch is off, how far with its interval, and whether that is only expected; None while not known."""
    if waiting:
        return ("", advice.expected, True) if advice.expected else None
    last = last_compared(story)
    if last is None:
        return ("", advice.now, False) if advice.now else None
    seen = find_shown(story, advice) or last
    far = advice.now or seen.delta_e_2000
    return (seen.difference.text, far, False) if seen.difference and far else None


def draw_scale(way: str, now: Figure, tolerance: float, *, expected: bool, closed: bool = False) -> str:
    """The sentence of where the batch stands, and the same as a drawing: the match left, the interval as a band."""
    sentence = words.tell_place(way, now, tolerance, expected=expected, closed=closed)
    most = max(1.15 * now.high, 2.5 * tolerance)
    places = (tolerance, now.low, now.high, now.value)
    good, low, high, here = (100 * min(max(place / most, 0.0), 1.0) for place in places)
    return (
        f'<div class="cm cm-place"><p>{html.as_html(sentence)}</p><div class="cm-scale" aria-hidden="true">'
        f'<i class="cm-good" style="width:{good:.1f}%"></i>'
        f'<i class="cm-band" style="left:{low:.1f}%;width:{max(high - low, 1):.1f}%"></i>'
        f'<i class="cm-mark{" hollow" if expected else ""}" style="left:{here:.1f}%"></i></div></div>'
    )
