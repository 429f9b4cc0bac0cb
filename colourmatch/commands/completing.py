"""How a shell is made to complete commands and options; the completing itself is the parser's."""

from __future__ import annotations

import os
from pathlib import PurePath

import click

from colourmatch.commands.framework import Answer, Command, Session
from colourmatch.errors import InputError

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
