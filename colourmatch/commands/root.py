"""The command that holds the others; it knows which module each is in, and imports it when it is called."""

from __future__ import annotations

from importlib import import_module

import click

from colourmatch import __version__
from colourmatch.commands.framework import Group
from colourmatch.commands.help_text import HELP

#: name -> module of colourmatch.commands, in the order of the work
_MODULES = {
    "card": "photos",
    "measure": "photos",
    "card-profile": "calibrations",
    "phone": "calibrations",
    "stock": "stocks",
    "lot": "lots",
    "reference": "references",
    "book": "papers",
    "guide": "helping",
    "demo": "running",
    "app": "running",
    "completion": "helping",
}


class Root(Group):
    """The command `colourmatch`; its help is the text that the program also has without a parser."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names in the order of the work."""
        return list(_MODULES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """A command by its name, imported now."""
        if cmd_name not in _MODULES:
            return None
        module = import_module(f"colourmatch.commands.{_MODULES[cmd_name]}")
        found = getattr(module, cmd_name.replace("-", "_"))
        assert isinstance(found, click.Command)
        return found

    def get_help(self, ctx: click.Context) -> str:
        """The help text."""
        return HELP.rstrip()


@click.group(cls=Root, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="colourmatch %(version)s")
def root() -> None:
    """Tint a small batch until it looks like its reference."""
