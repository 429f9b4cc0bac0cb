"""Measurements, advice and lots as lines for a reader: every figure with its interval, none computed here."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from colourmatch.records import pick
from colourmatch.words import figures
from colourmatch.words.advice import tell_grounds
from colourmatch.words.entries import tell_aside, tell_closing
from colourmatch.words.looks import tell_glass, tell_look, tell_metamerism, tell_served, tell_serving
from colourmatch.words.times import tell_time

if TYPE_CHECKING:
    from colourmatch.advice import Served
    from colourmatch.workflow.recheck import Drift
    from colourmatch.workflow.references import KnownReference

_SPOTS = ("reference", "batch", "blank")


def measurement_lines(result: Mapping[str, Any]) -> Iterator[str]:
    """What one photo says: how far, which way, the colours with their uncertainty, what is doubtful."""
    yield f"{result['photo']}"
    if result["error"]:
        yield f"  not measured: {result['error']}"
        return
    if result["delta_e_2000"]:
        difference = result["difference"]
        said = f"the batch is {difference['text']}" if difference["seen"] else difference["text"]
        yield f"  CIEDE2000 {figures.tell_interval(result['delta_e_2000'])} by this photo: {said}"
    for spot in _SPOTS:
        colour = result["spots"].get(spot)
        if colour:
            clear = "" if colour.get("clarity") is None else f"  clarity {colour['clarity']:.2f}"
            told = f"{figures.tell_lab(colour['lab'], colour['lab_sd'])}{clear}  (white: {colour['white']})"
            yield f"  {spot:9}  {told}"
            if before := colour.get("as_read"):
                yield f"  {'as read':9}  {figures.tell_lab(before['lab'], before['lab_sd'])}"
    if card := result.get("card_profile"):
        yield f"  read with the card {card['name']}"
    if found := result.get("calibration"):
        before = (result.get("as_read") or {}).get("delta_e_2000")
        was = f"; as read CIEDE2000 {figures.tell_interval(before)}" if before else ""
        yield f"  corrected for {found['phone']} in the light {found['light']}{was}"
    if apart := tell_metamerism(result.get("metamerism"), result.get("delta_e_2000")):
        yield f"  {apart}"
    for flag in result["quality"]:
        yield f"  {'note' if flag['severity'] == 'warn' else flag['severity']}: {flag['text']}"


def combined_lines(combined: Mapping[str, Any] | None) -> Iterator[str]:
    """What several photos of the same liquids say together, and which one to take again."""
    if not combined:
        return
    difference, count = combined["difference"], len(combined["photos"])
    said = f"the batch is {difference['text']}" if difference["seen"] else difference["text"]
    photos = "photo" if count == 1 else "photos"
    found = combined["delta_e_2000"]
    # torn photos have no likeliest value: theirs is 0 for want of a difference that is sure
    torn = not (combined["agree"] or difference["seen"])
    shown = f"at most {found['high']:.1f}" if torn else figures.tell_interval(found)
    yield f"Together, {count} {photos}: CIEDE2000 {shown}: {said}"
    yield f"  {combined['text']}"


def advice_lines(told: Mapping[str, Any] | None, lot: int, tolerance: float, *, closed: bool = False) -> Iterator[str]:
    """The advice first as its sentence, then what it rests on; for a closed lot only how it ended.

    tolerance: of the lot, CIEDE2000; what is reached within it may be no difference.
    """
    if not told:
        return
    from colourmatch.advice import Advice  # a list of lots does not wait for it

    advice = Advice.from_json(told)
    if closed:
        advice = advice.having(other_stocks=(), question=None)
    if not closed or advice.action == "stop":
        yield f"-> {advice.text}"
    if question := advice.question:
        if question.text not in advice.text:
            yield f"   {question.text}"
        for cause in question.causes:
            yield f"   yes: colourmatch lot answer {lot} --yes{'' if question.sure else f' --cause {cause.code}'}"
        yield f"   no:  colourmatch lot answer {lot} --no"
    yield from (f"   {name:8} {ground}" for name, ground in tell_grounds(advice, tolerance, closed=closed))
    yield from (f"   {one.text}" for one in (advice.amounts, *advice.surprises) if one and one.text)
    yield from (f"   {text}" for text in advice.besides)
    yield from serving_lines(advice.serving, closed=closed)
    for other in advice.other_stocks[1:]:
        yield f"   or: {other.text}"
    if advice.other_stocks:
        yield f"   Put it to the lot with: colourmatch lot use {lot} {advice.other_stocks[0].stock!r}"


def serving_lines(serving: Sequence[Served], *, closed: bool = False) -> Iterator[str]:
    """Each glass: how far apart, after the step too, and the further dose that would match there alone."""
    for one in serving:
        first, *more = tell_served(one, closed=closed)
        look = tell_look(pick(one, "depth_mm", "dilution", "illuminant", "weight"))
        yield f"   served   {one.name} ({look}): {first}"
        yield from (f"            {line}" for line in more)


def intake_lines(intake: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What a glass brings of each colourant against the acceptable daily intake."""
    for glass in intake:
        yield f"  intake: {glass['text']}"
        yield from (f"    {portion['text']}" for portion in glass["colourants"])


def state_lines(state: Mapping[str, Any]) -> Iterator[str]:
    """Volume, colour in it and room under the ceiling."""
    inside = (state.get("mg_per_l") or {}).items()
    held = ", ".join(f"{name} {figures.tell_amount(mg)}" for name, mg in inside)
    total = f"{figures.tell_amount(state['total_mg_per_l'])} mg/l of colour{f' ({held})' if held else ''}"
    yield f"Batch now {figures.tell_ml(state['volume_ml'])} with {total}."
    if state.get("ceiling_left_mg_per_l") is not None:
        yield f"Under the ceiling: {figures.tell_left(state['ceiling_left_mg_per_l'])}, by the labels."


def closing_line(closing: Mapping[str, Any], advice: Mapping[str, Any] | None) -> str:
    """How a lot ended; the maker's own words when they are not those of the advice."""
    own = closing["text"] if closing["text"] != (advice or {}).get("text") else ""
    return tell_closing(closing["outcome"], own, closing.get("against") or "")


#: What a terminal holds in a line at least.
_WIDTH = 80


def fit_lines(lines: Iterable[str]) -> Iterator[str]:
    """The same lines within 80 columns; what does not fit goes on below, set in a little further."""
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        wrapped = textwrap.wrap(line, _WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
        yield from wrapped or [""]


def lot_lines(told: Mapping[str, Any], *, law: bool = True) -> Iterator[str]:
    """The story of a lot: head, entries in order, label, where it stands, and last the answer: what to do now.

    `law`: with intakes, limits and cautions; without them where to ask for them.
    """
    own = told["ceiling_mg_per_l"]
    ceiling = "no ceiling of its own" if own is None else f"ceiling {own:g} mg/l"
    yield f"Lot {told['lot']} ({told['number']}), {told['name']}: {'closed' if told['closed'] else 'open'}"
    yield (
        f"  began with {figures.tell_ml(told['volume_ml'])}, stocks {', '.join(told['stocks'])}, {ceiling}, "
        f"{tell_glass(told['depth_mm'], told['dilution'])}, tolerance {told['tolerance']:g}"
    )
    if told.get("target_lab"):
        yield f"  tinted to {figures.tell_lab(told['target_lab'])} where the photo shows no reference"
    if told.get("serving"):
        yield f"  judged as served: {tell_serving(told['serving'])}"
    for event in told["events"]:
        mark = f"  (replaced by entry {event['replaced_by']})" if event["replaced_by"] else ""
        mark = f"  ({tell_aside(event['set_aside'])})" if event.get("set_aside") is not None else mark
        if event["moved_by"]:
            mark += f"  (happened at {tell_time(event['happened_at'])}, entry {event['moved_by']})"
        yield f"  {event['id']:>4}  {tell_time(event['created_at'])}  {event['text']}{mark}"
    for bottle in told.get("bottles") or ():
        if bottle["supplier_batch"]:
            of = f" of {bottle['supplier']}" if bottle["supplier"] else ""
            yield f"  {bottle['stock']} (stock {bottle['id']}) is batch {bottle['supplier_batch']}{of}"
    yield from state_lines(told["state"])
    yield from (trial["text"] for trial in told.get("trials") or ())
    yield from ("", *str(told["label"]).splitlines(), "")
    if law:
        yield from intake_lines(told.get("intake") or ())
        for caution in told["cautions"]:
            yield f"  caution: {caution['text']}"
    else:
        yield f"Limits, intakes and cautions: colourmatch lot show {told['lot']} --law"
    if told["jurisdiction"] is None and not told["closed"]:
        yield f"  caution: {NO_PLACE.replace('LOT', str(told['lot']))}"
    yield from (f"Warning: {passed['text']}" for passed in told["warnings"])
    advice = told["advice"]
    if told.get("first_dose") and not told["closed"]:
        from colourmatch.workflow.again import FirstDose, tell_first

        first = tell_first([FirstDose.from_json(dose) for dose in told["first_dose"]])
        if any(dose["measured"]["quantity"] for dose in told["first_dose"]):
            advice = advice | {"text": first}
        else:
            yield first
    answer = list(advice_lines(advice, told["lot"], told["tolerance"], closed=told["closed"]))
    said = [line for line in answer if line.startswith("-> ")]
    yield from (line for line in answer if line not in said)
    yield from said
    if told["closing"]:
        yield closing_line(told["closing"], told["advice"])


#: Limits that are shown and not kept must say so: they read as if the advice kept them.
NO_PLACE = (
    "It is not said where this lot is sold: the limits shown are those of the EU, and the advice does not keep "
    "them. Have them kept with: colourmatch lot correct LOT --jurisdiction EU --reason 'sold there'"
)


def drift_lines(drift: Drift) -> Iterator[str]:
    """How the colour of a lot has held: a line a recheck, then the rate and the forecast in words."""
    from colourmatch.workflow.recheck import tell_photos  # a list of lots does not wait for it

    yield f"Lot {drift.number}, {drift.name}"
    yield from (f"  {when}: {told}" for when, told in tell_photos(drift))
    for left in drift.left_out:
        yield f"  entry {left.entry} left out: {left.reason}"
    yield drift.text


def reference_lines(known: KnownReference) -> Iterator[str]:
    """A reference with its readings in time, each against the first of its kind."""
    yield f"Reference {known.reference}, {known.name}" + (f": {known.notes}" if known.notes else "")
    for row in known.readings:
        drift = f"  {figures.tell_drift(row.drift, row.difference)}" if row.drift else ""
        told = f"{figures.tell_lab(row.lab, row.lab_sd)}  ({row.source}; {tell_glass(*row.view)}){drift}"
        yield f"  {row.reading:>3}  {row.at[:10]}  {told}"
    yield known.text
