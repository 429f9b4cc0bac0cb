"""Measurements, advice and lots as lines for a reader: every figure with its interval, none computed here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from colourmatch.amounts import tell_drops, tell_quantity
from colourmatch.book.checks import OUTCOMES
from colourmatch.book.entries import tell_figure
from colourmatch.commands.framework import number_text
from colourmatch.words.figures import tell_interval
from colourmatch.words.times import tell_time

_SPOTS = ("reference", "batch", "blank")
_AXES = ("L*", "a*", "b*")


def measurement_lines(result: Mapping[str, Any]) -> Iterator[str]:
    """What one photo says: how far, which way, the colours with their uncertainty, what is doubtful."""
    yield f"{result['photo']}"
    if result["error"]:
        yield f"  not measured: {result['error']}"
        return
    if result["delta_e_2000"]:
        difference = result["difference"]
        said = f"the batch is {difference['text']}" if difference["seen"] else difference["text"]
        yield f"  CIEDE2000 {tell_interval(result['delta_e_2000'])}: {said}"
    for spot in _SPOTS:
        colour = result["spots"].get(spot)
        if colour:
            yield f"  {spot:9}  {_spot_text(colour)}"
            if before := colour.get("as_read"):
                yield f"  {'as read':9}  {lab_text(before['lab'], before['lab_sd'])}"
    yield from _read_with_lines(result)
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
    shown = f"at most {found['high']:.1f}" if torn else tell_interval(found)
    yield f"Together, {count} {photos}: CIEDE2000 {shown}: {said}"
    yield f"  {combined['text']}"


def _read_with_lines(result: Mapping[str, Any]) -> Iterator[str]:
    """The card and the phone's correction that a photo was read with, and its difference before that."""
    if card := result.get("card_profile"):
        yield f"  read with the card {card['name']}"
    if found := result.get("calibration"):
        before = (result.get("as_read") or {}).get("delta_e_2000")
        was = f"; as read CIEDE2000 {tell_interval(before)}" if before else ""
        yield f"  corrected for {found['phone']} in the light {found['light']}{was}"


def _spot_text(colour: Mapping[str, Any]) -> str:
    clear = "" if colour.get("clarity") is None else f"  clarity {colour['clarity']:.2f}"
    return f"{lab_text(colour['lab'], colour['lab_sd'])}{clear}  (white: {colour['white']})"


def advice_lines(advice: Mapping[str, Any] | None, *, closed: bool = False) -> Iterator[str]:
    """The advice first as its sentence, then what it rests on; for a closed lot only how it ended."""
    if not advice:
        return
    adds = advice["action"] == "add" and not closed
    if not closed or advice["action"] == "stop":
        yield f"-> {advice['text']}"
    if question := None if closed else advice.get("question"):
        yield f"   yes: colourmatch lot correct LOT {question['entry']} --at {question['at']} --reason 'taken before'"
        yield f"   no:  colourmatch lot correct LOT {question['entry']} --at {question['stays_at']} --reason 'taken after'"
    now, predicted = advice.get("now"), (advice.get("predicted") or {}).get("delta_e_2000")
    expected = (advice.get("expected") or {}).get("delta_e_2000")
    if expected and not closed:
        yield f"   expected CIEDE2000 {tell_interval(expected)}: no photo shows the batch as it is"
    if now:
        yield f"   {'ended at' if closed else 'now     '} CIEDE2000 {tell_interval(now)}, by all photos of the lot"
    if adds and predicted:
        yield f"   then     CIEDE2000 {tell_interval(predicted)}"
    for dose in (advice.get("to_match") or ()) if adds else ():
        if dose.get("drops") is not None:
            # Where a ceiling comes first, these drops are no advice: they must not read like one.
            held = (
                ", but a ceiling comes first" if advice.get("ceiling_cost_delta_e_2000") is not None else ""
            )
            drops = tell_drops(round(dose["drops"]), (dose.get("low"), dose.get("high")))
            yield f"   in all   {drops} of {dose['stock']} to the nearest point{held}"
    if text := (advice.get("amounts") or {}).get("text"):
        yield f"   {text}"
    yield from (f"   {surprise['text']}" for surprise in advice.get("surprises") or ())
    if advice.get("ceiling_left_mg_per_l") is not None:
        # Without a reading nothing is known of the stocks but their labels.
        known = "photos" if now else "labels"
        yield f"   ceiling  {number_text(advice['ceiling_left_mg_per_l'])} mg/l left by the {known}"
    if advice.get("reachable") and advice.get("reason") != "matched":  # there is nothing left to reach
        still = f": still {advice['missing']}" if advice.get("missing") else ""
        yield f"   at best  CIEDE2000 {tell_interval(advice['reachable'])}{still}"
    others = () if closed else advice.get("other_stocks") or ()
    # With another colour missing the sentence says itself what blending back would do.
    blend = None if others or advice.get("missing_kind") else (advice.get("rescue") or {}).get("text")
    for text in (advice.get("problem"), blend):
        if text and text not in advice["text"]:
            yield f"   {text}"
    yield from serving_lines(advice.get("serving") or (), closed=closed)
    for other in others[1:]:
        yield f"   or: {other['text']}"
    if others:
        yield f"   Put it to the lot with: colourmatch lot use LOT {others[0]['stock']!r}"


def serving_lines(serving: Sequence[Mapping[str, Any]], *, closed: bool = False) -> Iterator[str]:
    """Each glass: how far apart, after the step too, and the further dose that would match there alone."""
    for one in serving:
        look = f"{one['depth_mm']:g} mm, 1 in {one['dilution']:g}, light {one['illuminant']}"
        after = f"; after the step {tell_interval(one['after_step'])}" if one.get("after_step") else ""
        yield f"   served   {one['name']} ({look}): CIEDE2000 {tell_interval(one['delta_e_2000'])}, {one['text']}{after}"
        for dose in () if closed else one["to_match"]:
            drops = tell_drops(dose["drops"], (dose["low"], dose["high"]), "more")
            yield f"            there alone nearest after {drops} of {dose['stock']}"


def trial_lines(trials: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Each trial in its sentence."""
    yield from (trial["text"] for trial in trials)


def intake_lines(intake: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What a glass brings of each colourant against the acceptable daily intake."""
    for glass in intake:
        yield f"  intake: {glass['text']}"
        yield from (f"    {portion['text']}" for portion in glass["colourants"])


def state_lines(state: Mapping[str, Any]) -> Iterator[str]:
    """Volume, colour in it and room under the ceiling."""
    held = ", ".join(f"{name} {mg:.1f}" for name, mg in (state.get("mg_per_l") or {}).items())
    yield (
        f"Batch now {state['volume_ml']:.1f} ml with {number_text(state['total_mg_per_l'])} mg/l of colour"
        + (f" ({held})" if held else "")
        + "."
    )
    if state.get("ceiling_left_mg_per_l") is not None:
        yield f"Under the ceiling {state['ceiling_left_mg_per_l']:.1f} mg/l are left by the labels."


def closing_line(closing: Mapping[str, Any], advice: Mapping[str, Any] | None) -> str:
    """How a lot ended; the maker's own words when they are not those of the advice."""
    own = closing["text"] if closing["text"] != (advice or {}).get("text") else ""
    how = "Closed" if closing["outcome"] in OUTCOMES else "Closed, in your own words"
    line = f"{how}: {closing['outcome']}. {own}".rstrip()
    return f"{line} {closing['against']}" if closing.get("against") else line


def drops_text(entry: Mapping[str, Any]) -> str:
    """The quantity of an addition as it was typed."""
    return tell_quantity(entry["quantity"], entry["unit"])


def serving_text(serving: Mapping[str, Any] | None) -> str:
    """Serving conditions in words: "long drink (60 mm, 1 in 4, light A, weight 2)"."""
    told = []
    for condition in (serving or {}).get("conditions", ()):
        words = {
            "depth_mm": "{:g} mm", "dilution": "1 in {:g}", "illuminant": "light {}", "weight": "weight {:g}",
        }  # fmt: skip
        said = [form.format(condition[key]) for key, form in words.items() if condition.get(key) is not None]
        told.append(condition.get("name", "serving") + (f" ({', '.join(said)})" if said else ""))
    return "; ".join(told) or "as photographed"


def lab_text(lab: Sequence[float] | None, sd: Sequence[float] | None = None) -> str:
    """A colour: "L* 60.0 +-0.5  a* 45.0 +-0.6  b* 30.0 +-0.7"."""
    if lab is None:
        return "none"
    spread = [""] * 3 if sd is None else [f" +-{part:.1f}" for part in sd]
    return "  ".join(f"{n} {v:.1f}{s}" for n, v, s in zip(_AXES, lab, spread, strict=True))


def change_text(key: str, value: Any) -> str:
    """A figure of a lot's head that was put right."""
    if key == "serving":
        return f"serving {serving_text(value)}"
    if key == "target_lab":
        return f"target {lab_text(value)}"
    return tell_figure(key, value)


def lot_lines(told: Mapping[str, Any]) -> Iterator[str]:
    """The story of a lot: head, entries in order, where it stands, what to do, label and cautions."""
    own = told["ceiling_mg_per_l"]
    ceiling = "no ceiling of its own" if own is None else f"ceiling {own:g} mg/l"
    yield f"Lot {told['lot']} ({told['number']}), {told['name']}: {'closed' if told['closed'] else 'open'}"
    yield (
        f"  began with {told['volume_ml']:g} ml, stocks {', '.join(told['stocks'])}, {ceiling}, "
        f"depth {told['depth_mm']:g} mm, dilution {told['dilution']:g}, tolerance {told['tolerance']:g}"
    )
    if told.get("target_lab"):
        yield f"  tinted to {lab_text(told['target_lab'])} where the photo shows no reference"
    if told.get("serving"):
        yield f"  judged as served: {serving_text(told['serving'])}"
    for event in told["events"]:
        mark = f"  (replaced by entry {event['replaced_by']})" if event["replaced_by"] else ""
        mark = f"  (set aside: {event['set_aside']})" if event.get("set_aside") is not None else mark
        if event["moved_by"]:
            mark += f"  (happened at {tell_time(event['happened_at'])}, entry {event['moved_by']})"
        yield f"  {event['id']:>4}  {tell_time(event['created_at'])}  {event['text']}{mark}"
    yield from state_lines(told["state"])
    yield from (f"Warning: {passed['text']}" for passed in told["warnings"])
    yield from trial_lines(told.get("trials") or ())
    yield from advice_lines(told["advice"], closed=told["closed"])
    if told["closing"]:
        yield closing_line(told["closing"], told["advice"])
    yield from ("", *str(told["label"]).splitlines())
    yield from intake_lines(told.get("intake") or ())
    for caution in told["cautions"]:
        yield f"  caution: {caution['text']}"
    if told["jurisdiction"] is None and not told["closed"]:
        yield f"  caution: {NO_PLACE.replace('LOT', str(told['lot']))}"


#: Limits that are shown and not kept must say so: they read as if the advice kept them.
NO_PLACE = (
    "It is not said where this lot is sold: the limits above are those of the EU, and the advice does not keep "
    "them. Have them kept with: colourmatch lot correct LOT --jurisdiction EU --reason 'sold there'"
)


def drift_lines(drift: Mapping[str, Any]) -> Iterator[str]:
    """How the colour of a lot has held: a line a recheck, then the rate and the forecast in words."""
    yield f"Lot {drift['number']}, {drift['name']}"
    if drift["start"]:
        start = drift["start"]
        away, how = tell_interval(start["delta_e_2000"]), "finished at" if drift["closed"] else "so far    "
        yield f"  {start['at'][:10]}  {how} CIEDE2000 {away} from its reference"
    for photo in drift["photos"]:
        seen = photo["difference"]["text"] if photo["difference"]["seen"] else "no drift seen"
        yield (
            f"  {photo['at'][:10]}  {photo['weeks']:.1f} weeks: drift CIEDE2000 "
            f"{tell_interval(photo['delta_e_2000'])}, {seen}"
        )
    for left in drift["left_out"]:
        yield f"  entry {left['entry']} left out: {left['reason']}"
    yield drift["text"]


def reference_lines(told: Mapping[str, Any]) -> Iterator[str]:
    """A reference with its readings in time, each against the first of its kind."""
    yield f"Reference {told['reference']}, {told['name']}" + (f": {told['notes']}" if told["notes"] else "")
    for row in told["readings"]:
        drift = f"  drift {tell_interval(row['drift'])}" if row["drift"] else ""
        view = f"{row['depth_mm']:g} mm, dilution {row['dilution']:g}"
        yield (
            f"  {row['reading']:>3}  {row['at'][:10]}  {lab_text(row['lab'], row['lab_sd'])}"
            f"  ({row['source']}; {view}){drift}"
        )
    yield told["text"]
