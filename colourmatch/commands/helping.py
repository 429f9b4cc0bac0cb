"""What helps at the command line: the guide, dressed up on a terminal and plain when it is passed on; how the Tab key
is set up."""

from __future__ import annotations

import os
import sys
from pathlib import PurePath

import click

from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Command, Data, Session, Table
from colourmatch.errors import InputError
from colourmatch.guide import PAGES, find_page, find_sections


@click.command(cls=Command, uses_book=False, example="colourmatch guide answers --find haze")
@click.argument("page", required=False, metavar="[PAGE]")
@opt.text("--find", "TEXT", "Only the parts of the page that hold these words.", default="")
def guide(session: Session, page: str | None, find: str) -> Answer:
    """Read the guide: answers, ways of working, method, care and law, the reference of commands and JSON.

    Without a page it lists them; with --find and no page it looks into all of them.
    """
    if page is None and not find.strip():
        rows = [(one.name, one.about) for one in PAGES]
        told = [{"page": one.name, "title": one.title, "text": one.about} for one in PAGES]
        return Answer({"pages": told}, [Table(("page", "what it is for"), rows), "Read one: colourmatch guide PAGE"])
    chosen = PAGES if page is None else (find_page(page),)
    found = [(one, find_sections(one, find)) for one in chosen]
    whole = not find.strip()
    data = [
        {
            "page": one.name, "title": one.title,
            "sections": [{"title": part.title, "text": part.text} for part in parts],
            "text": one.text if whole else "\n".join(part.markdown for part in parts),
        }
        for one, parts in found
    ]  # fmt: skip
    answer: Data = data[0] if page is not None else {"pages": data}
    if not whole and not any(parts for _, parts in found):
        where = "the guide" if page is None else f"the page {chosen[0].name}"
        return Answer(answer, [f"Nothing in {where} holds {find.strip()!r}. Try one word of it."])
    shown = "\n".join(str(one["text"]) for one in data if one["sections"])
    if sys.stdout.isatty():  # as a terminal shows it best; as it stands for a file or another program
        from rich.console import Console
        from rich.markdown import Markdown

        console = Console()
        with console.capture() as held:
            console.print(Markdown(shown), width=min(console.width, 100))
        shown = held.get()
    return Answer(answer, [shown.rstrip()])


#: Shell -> the file that it reads when it starts, and the line that switches completion on.
SHELLS = {
    "bash": ("~/.bashrc", 'eval "$(_COLOURMATCH_COMPLETE=bash_source colourmatch)"'),
    "zsh": ("~/.zshrc", 'eval "$(_COLOURMATCH_COMPLETE=zsh_source colourmatch)"'),
    "fish": (
        "~/.config/fish/completions/colourmatch.fish",
        "_COLOURMATCH_COMPLETE=fish_source colourmatch | source",
    ),
}
_BEFORE = {"zsh": ["Above it in that file there must be: autoload -Uz compinit && compinit"]}


@click.command(cls=Command, uses_book=False, example="colourmatch completion zsh")
@click.argument("shell", required=False, type=click.Choice(list(SHELLS)), metavar="[bash|zsh|fish]")
def completion(session: Session, shell: str | None) -> Answer:
    """Say how to switch on completion with the Tab key.

    For bash 4.4 or later, zsh and fish; without a name for the shell that SHELL names.
    """
    chosen = shell or PurePath(os.environ.get("SHELL", "")).name
    if chosen not in SHELLS:
        raise InputError(f"Say which shell: colourmatch completion {'|'.join(SHELLS)}")
    file, line = SHELLS[chosen]
    text = [
        f"Completion in {chosen}: add this line to {file}, then open a new terminal.",
        f"  {line}",
        *_BEFORE.get(chosen, []),
        "For this terminal alone, type the line as it is.",
    ]
    return Answer({"shell": chosen, "file": file, "line": line}, text)
