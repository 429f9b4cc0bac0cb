"""What becomes of a bottle, on the command line: what was learnt forgotten, put away, refilled, traced by its batch."""

from __future__ import annotations

from typing import Any

import click

from colourmatch.commands.framework import Answer, Command, Session, by_option, token_option
from colourmatch.commands.stock_lines import bottle_facts, describe_stock, sum_up, take_facts, tell_learnt


@click.command(cls=Command, example="colourmatch stock reset red --reason 'made up again'")
@click.argument("name")
@click.option("--reason", metavar="TEXT", default="", help="Why, for the record.")
@by_option
def reset(session: Session, name: str, reason: str, by: str | None) -> Answer:
    """Forget what was learnt of a stock.

    The strength on its label counts again.
    """
    with session.open_book() as book:
        before = tell_learnt(book.stocks.get(name))
        entry = book.stocks.reset(name, reason, entered_by=by)
        data = describe_stock(book, entry)
    forgotten = "Nothing was learnt of it yet: its label counts as before."
    if before is not None:
        span = f"{before['strength_factor']:.2f} ({before['low']:.2f} to {before['high']:.2f})"
        forgotten = f"Set aside, and kept in its history: strength as photos showed, {span} of the label."
    return Answer(data | {"forgotten": before}, [forgotten, sum_up(entry)])


@click.command("put-away", cls=Command, example="colourmatch stock put-away red --reason 'used up'")
@click.argument("name")
@click.option("--reason", metavar="TEXT", default="", help="Why, for the record.")
@by_option
def put_away(session: Session, name: str, reason: str, by: str | None) -> Answer:
    """Take a stock out of use.

    Its history stays and its name is free again.
    """
    with session.open_book() as book:
        entry = book.stocks.put_away(name, reason, entered_by=by)
        data = describe_stock(book, entry)
    return Answer(data, [f"{entry.name} is put away. Its history stays in the book."])


@click.command(
    cls=Command, example="colourmatch stock refill red --batch K-1207 --made-on 2026-11-29 --amount-ml 50"
)
@click.argument("name")
@bottle_facts
@click.option("--note", metavar="TEXT", default="", help="A remark.")
@by_option
@token_option
def refill(session: Session, name: str, note: str, by: str | None, **given: Any) -> Answer:
    """Put a fresh bottle of a stock in the place of the old one.

    It starts with the strength that photos taught of the old one, less sure; the old one is put away.
    """
    facts = take_facts(given)
    with session.open_book() as book:
        entry = book.stocks.refill(name, notes=note, bottle=facts, entered_by=by, **given)
        data = describe_stock(book, entry)
    lines = [f"A fresh bottle, stock {entry.id}, took the place of stock {entry.follows}. {sum_up(entry)}"]
    return Answer(data, lines)


@click.command(cls=Command, example="colourmatch stock trace K-1207")
@click.argument("batch")
def trace(session: Session, batch: str) -> Answer:
    """Tell which lots hold a supplier's batch.

    What was thinned from its bottles counts too, and bottles that are put away.
    """
    from colourmatch.words.shelf import tell_trace
    from colourmatch.workflow.shelf_state import trace_batch

    with session.read_book() as book:
        told = trace_batch(book, batch)
    return Answer(told, tell_trace(told))
