"""After the closing, on the command line: does a lot's colour hold, how do lots lie against each other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from colourmatch.commands.framework import Answer, Command, Session, Table, Who, text_option, who_options
from colourmatch.commands.lines import drift_lines
from colourmatch.commands.photos import answer_entries, reading_options, record_each
from colourmatch.words.figures import tell_interval, tell_number, tell_spread
from colourmatch.words.times import tell_date


@click.command(cls=Command, example="colourmatch lot trend --stock red")
@text_option("--stock", "STOCK", "Only lots of this stock, all bottles of its name.")
@text_option("--reference", "NAME", "Only lots tinted to this reference.")
@text_option("--name", "TEXT", "Only lots with this in their name or number.")
@click.option(
    "--limit",
    type=click.IntRange(1, 10_000),
    default=50,
    show_default=True,
    help="How many, the last closed.",
)
def trend(session: Session, stock: str | None, reference: str | None, name: str | None, limit: int) -> Answer:
    """Closed lots against each other: final colour, difference and dose, with limits of natural variation."""
    from colourmatch.workflow.trend import read_trend, trend_json

    with session.read_book(needed=False) as book:
        told = trend_json(read_trend(book, stock, reference, name, limit))
    lines: list[str | Table] = [_lots_table(told["lots"])] if told["lots"] else []
    limits = [
        (chart, *(tell_number(found[key], 2) for key in ("mean", "low", "high")))
        for chart, found in told["limits"].items()
        if found
    ]
    if told["lots"] and limits:
        lines.append(Table(("chart", "mean", "lower limit", "upper limit"), limits))
    lines += [told["text"], *told["notes"]]
    lines += [f"Left out: lot {left['label']}, {left['reason']}." for left in told["left_out"]]
    return Answer(told, lines)


def _lots_table(lots: list[dict[str, Any]]) -> Table:
    headers = ("lot", "name", "closed", "ended", "L*", "a*", "b*", "CIEDE2000", "mg/l", "drops/l")
    rows = [
        (
            lot["label"], lot["name"], tell_date(lot["closed_at"]), lot["outcome"],
            *(tell_spread(v, sd) for v, sd in zip(lot["lab"], lot["lab_sd"], strict=True)),
            tell_interval(lot["delta_e_2000"]), tell_spread(lot["mg_per_l"], lot["mg_per_l_sd"]),
            tell_number(lot["drops_per_l"]),
        )
        for lot in lots
    ]  # fmt: skip
    return Table(headers, rows)


@click.command(cls=Command, example="colourmatch lot recheck 1 after-a-week.jpg")
@click.argument("lot")
@click.argument("photos", nargs=-1, metavar="[PHOTO...]")
@reading_options
@who_options
def recheck(
    session: Session, lot: str, photos: tuple[str, ...], card_name: str | None, light: str | None, who: Who
) -> Answer:
    """Does the colour of a closed lot hold? Photograph it beside its reference in a week and in a month.

    Without a photo it says what is known so far. Photos are read with the card and the light noted for the lot;
    --card-name and --light note others from now on.
    """
    from colourmatch.workflow.recheck import read_drift, record_recheck

    with session.open_book() if photos else session.read_book() as book:
        lot_id = book.lots.get(lot).id
        found = record_each(
            session, photos, who,
            lambda path, own: record_recheck(book, lot_id, [Path(path)], card=card_name, light=light, **own)["photos"],
        )  # fmt: skip
        drift = read_drift(book, lot_id)
    return answer_entries(found, {"lot": lot_id, "photos": found, "drift": drift}, list(drift_lines(drift)))
