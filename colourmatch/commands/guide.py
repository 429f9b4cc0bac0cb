"""The guide on the command line: dressed up on a terminal, plain Markdown when it is passed on."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from colourmatch.commands.framework import Answer, Command, Session, Table, text_option

if TYPE_CHECKING:
    from colourmatch.guide import Page, Section


@click.command(cls=Command, uses_book=False, example="colourmatch guide answers --find haze")
@click.argument("page", required=False, metavar="[PAGE]")
@text_option("--find", "TEXT", "Only the parts of the page that hold these words.", default="")
def guide(session: Session, page: str | None, find: str) -> Answer:
    """Read the guide: answers, ways of working, method, care and law, the reference of commands and JSON.

    Without a page it lists them; with --find and no page it looks into all of them.
    """
    from colourmatch.guide import PAGES, find_page, find_sections

    if page is None and not find.strip():
        rows = [(one.name, one.about) for one in PAGES]
        told = [{"page": one.name, "title": one.title, "text": one.about} for one in PAGES]
        return Answer(
            {"pages": told}, [Table(("page", "what it is for"), rows), "Read one: colourmatch guide PAGE"]
        )
    chosen = PAGES if page is None else (find_page(page),)
    found = [(one, find_sections(one, find)) for one in chosen]
    data = [_describe(one, parts, whole=not find.strip()) for one, parts in found]
    answer = data[0] if page is not None else {"pages": data}
    if find.strip() and not any(parts for _, parts in found):
        where = "the guide" if page is None else f"the page {chosen[0].name}"
        return Answer(answer, [f"Nothing in {where} holds {find.strip()!r}. Try one word of it."])
    return Answer(answer, [_dress("\n".join(one["text"] for one in data if one["sections"]))])


def _describe(page: Page, parts: tuple[Section, ...], whole: bool) -> dict[str, Any]:
    text = page.text if whole else "\n".join(part.markdown for part in parts)
    sections = [{"title": part.title, "text": part.text} for part in parts]
    return {"page": page.name, "title": page.title, "sections": sections, "text": text}


def _dress(text: str) -> str:
    """Markdown as a terminal shows it best; as it stands for a file or another program."""
    if not sys.stdout.isatty():
        return text.rstrip()
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    with console.capture() as held:
        console.print(Markdown(text), width=min(console.width, 100))
    return held.get().rstrip()
