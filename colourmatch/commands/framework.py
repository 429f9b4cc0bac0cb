"""What all commands share: --json and --book, how an Answer is printed, which a command returns, and the command that holds
them all. It knows no photo, no lot; nothing heavy is imported here, because `colourmatch --help` pays for it."""

from __future__ import annotations

import difflib
import sys
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from colourmatch import __version__
from colourmatch.amounts import Question
from colourmatch.commands import HELP
from colourmatch.commands import options as opt
from colourmatch.commands.output import AnswerLost
from colourmatch.errors import ColourMatchError, QuestionError

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook

BOOK_HELP = "The lot book: a path or a database URL. Otherwise COLOURMATCH_BOOK, else a per-user folder."
SURE_HELP = "It was meant: take an amount that is asked about."
#: More digits than any figure carries, and too few to show the tail of a binary number (0.30000000000000004).
_DIGITS = 10
#: What --by and --token say of an entry, as the book takes it.
Who = dict[str, Any]
#: A JSON object as it is printed, or options as they were typed, by their names.
Data = dict[str, Any]
JSON_HELP = "Print one JSON object on stdout and everything else on stderr."


class Table(NamedTuple):
    """Rows of text under their headers."""

    headers: Sequence[str]
    rows: Sequence[Sequence[str]]

    def print(self) -> None:
        """On a terminal with lines, else in columns."""
        if sys.stdout.isatty():
            from rich import box
            from rich.console import Console
            from rich.table import Table as RichTable
            from rich.text import Text

            shown = RichTable(*self.headers, box=box.SIMPLE)
            for row in self.rows:
                shown.add_row(*map(Text, row))  # plain text: a name may hold square brackets
            Console().print(shown)
            return
        widths = [max(map(len, column)) for column in zip(self.headers, *self.rows, strict=True)]
        for row in (self.headers, *self.rows):
            print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


class Answer(NamedTuple):
    """What a command found: the JSON object, the same for a reader, the exit code, one line of complaint."""

    data: Data
    text: Sequence[str | Table] = ()
    exit_code: int = 0
    complaint: str | None = None


def answer_list(key: str, found: list[Any], table: Table, none: str) -> Answer:
    """A list as a table; where it is empty, `none` says what to do."""
    return Answer({key: found}, [table if found else none])


class Session(ExitStack):
    """What was asked for around a command: JSON or text, and where the book is; what it opened closes with it."""

    def __init__(self, book: str | None = None, as_json: bool = False, sure: bool = False) -> None:
        super().__init__()
        self.book, self.as_json, self.sure = book, as_json, sure

    def ask(self, question: Question | None) -> None:
        """QuestionError about an amount, unless --sure answered it."""
        if question is not None and not self.sure:
            raise QuestionError(question.text())

    def open_book(self, begins: bool = False) -> LotBook:
        """The lot book for a command that writes; closed with the session. Only one that `begins` something makes a new book."""
        from colourmatch.book.lot_book import open_book

        book = self.enter_context(open_book(self.book, make=begins))
        self.tell_begun(book)
        return book

    def tell_begun(self, book: LotBook) -> None:
        """Say that a book was made: a mistyped place would pass for an empty book."""
        if book.begun:
            self.note(f"A new lot book was begun: {book.place}")

    def read_book(self, needed: bool = True) -> LotBook:
        """The lot book for a command that only reads: none is made. Without one it is refused, or empty if not needed."""
        from colourmatch.book.lot_book import read_book

        book = self.enter_context(read_book(self.book, needed=needed))
        if book.note:
            self.note(book.note)
        return book

    def say(self, text: str = "") -> None:
        """A line of a story that is told while it happens; with --json it goes to stderr."""
        print(text, file=sys.stderr if self.as_json else sys.stdout, flush=True)

    def note(self, text: str) -> None:
        """A line about progress, or a warning, on stderr."""
        print(text, file=sys.stderr, flush=True)

    def warn(self, warnings: Iterable[Mapping[str, Any]]) -> None:
        for warning in warnings:
            self.note(f"Warning: {warning['text']}")


def _shared_options(uses_book: bool = True, asks: bool = False) -> list[click.Parameter]:
    sure = [click.Option(["--sure"], is_flag=True, help=SURE_HELP)] if asks else []
    book = [click.Option(["--book"], metavar="PLACE", help=BOOK_HELP)] if uses_book else []
    return [*sure, *book, click.Option(["--json", "as_json"], is_flag=True, help=JSON_HELP)]


def _take_session(ctx: click.Context) -> Session:
    """The session of a context: what was given here counts before what was given further left."""
    outer = ctx.find_object(Session) or Session()
    book, as_json = ctx.params.pop("book", None), ctx.params.pop("as_json", False)
    return Session(book or outer.book, as_json or outer.as_json, ctx.params.pop("sure", False))


#: What a value is called -> what completes it; a stock's own commands call it NAME.
_NAMES = {"lot": "lots", "stock": "stocks", "stocks": "stocks", "colourant": "colourants", "already_colourant": "colourants",
          "page": "pages"}  # fmt: skip
_OF_STOCK = ("weigh", "correct", "reset", "put-away", "refill")
#: So many of the newest lots are offered.
_MOST_NAMES = 200


def complete_names(params: Sequence[click.Parameter], command: str) -> None:
    """Let the Tab key know lots, stocks, colourants and pages of the guide where a command takes one."""
    for one in params:
        kind = _NAMES.get(one.name or "")
        if one.name == "like":
            kind = "lots" if command == "new" else "colourants"
        if one.name == "name" and isinstance(one, click.Argument) and command in _OF_STOCK:
            kind = "stocks"
        if kind is not None:
            one._custom_shell_complete = partial(_complete, kind)


def _complete(kind: str, ctx: click.Context | None, _param: click.Parameter, begun: str) -> list[Any]:
    """The names of a kind that begin so, capitals or not, each with what it is; none of a book that cannot be read."""
    from click.shell_completion import CompletionItem

    place = None
    while ctx is not None and not place:
        place, ctx = ctx.params.get("book"), ctx.parent
    known: list[tuple[str, str]]
    if kind == "colourants":
        from colourmatch.liquid.colourants import list_colourants

        known = [(one.e_number, one.name) for one in list_colourants()]
    elif kind == "pages":
        from colourmatch.guide import PAGES

        known = [(page.name, page.title) for page in PAGES]
    else:
        from colourmatch.book.lot_book import read_book

        try:
            with read_book(place, needed=False) as book:
                if kind == "lots":
                    known = [(one.label, one.name) for one in book.lots.search(limit=_MOST_NAMES)]
                else:
                    known = [(one.name, one.colourant) for one in book.stocks.all()]
        except (ColourMatchError, OSError):
            return []
    folded = begun.casefold()
    return [CompletionItem(name, help=told) for name, told in known if name.casefold().startswith(folded)]


class Command(click.Command):
    """A command with --json and, unless `uses_book` is False, --book; its function gets the Session first.

    --by and --token reach the function together, as `who`. Where an absurd size is asked about (`asks`, or an amount with other readings) it has --sure.
    """

    def __init__(
        self, name: str | None, uses_book: bool = True, example: str = "", asks: bool = False, **settings: Any
    ) -> None:
        super().__init__(name, **settings)
        complete_names(self.params, name or "")
        self.epilog = f"\b\nExample:\n  {example}" if example else None
        asks = asks or any(isinstance(one.type, opt.Sized) and one.type.size.slips for one in self.params)
        self.params += _shared_options(uses_book, asks)

    def get_short_help_str(self, limit: int = 45) -> str:
        """The first sentence for a list of commands, whole: it is wrapped there, not cut off."""
        return super().get_short_help_str(max(limit, 300))

    def invoke(self, ctx: click.Context) -> Any:
        """Call the function and print its answer; the exit code."""
        assert self.callback is not None
        session = _take_session(ctx)
        for question in ctx.meta.pop(opt.QUESTIONS, ()):
            session.ask(question)
        if "by" in ctx.params:
            ctx.params["who"] = {"entered_by": ctx.params.pop("by")}
            if "token" in ctx.params:
                ctx.params["who"]["token"] = ctx.params.pop("token")
        with session:
            answer = ctx.invoke(self.callback, session, **ctx.params)
        return finish(session, answer)


class Group(click.Group):
    """Commands of one subject, in the order they were written; an unknown one is answered with near names."""

    command_class = Command

    def __init__(self, name: str | None, **settings: Any) -> None:
        super().__init__(name, **{"no_args_is_help": False, "subcommand_metavar": "COMMAND", **settings})
        self.params += _shared_options()

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names, in the order of the work rather than of the alphabet."""
        return list(self.commands)

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        name = args[0]
        if self.get_command(ctx, name) is None and not name.startswith("-"):
            names = self.list_commands(ctx)
            near = difflib.get_close_matches(name, names, n=3, cutoff=0.5)
            listed = f"Near it: {', '.join(near)}" if near else f"There are: {', '.join(names)}"
            raise click.UsageError(f"There is no command {name!r}. {listed}.", ctx)
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Pass on to the command; without one, say which there are."""
        ctx.obj = _take_session(ctx)
        if not ctx.args and not ctx._protected_args:
            raise click.UsageError(f"A command is missing. There are: {', '.join(self.list_commands(ctx))}.", ctx)
        return super().invoke(ctx)


def finish(session: Session, answer: Answer) -> int:
    """Print an answer as asked for; its exit code."""
    if answer.complaint:
        session.note(answer.complaint)
    try:
        if session.as_json:
            print_json(answer.data)
        else:
            for part in answer.text:
                part.print() if isinstance(part, Table) else print(part)
        sys.stdout.flush()
    except AnswerLost as lost:
        lost.exit_code = answer.exit_code
        raise
    return answer.exit_code


def print_json(data: Data) -> None:
    """One JSON object on a line of its own: figures to ten digits, what is no number (NaN) becomes null."""
    from colourmatch.book.checks import to_json

    print(to_json(data, digits=_DIGITS), flush=True)


# ---- the command that holds the others ---------------------------------------------------------------------------

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
        return HELP.rstrip()


@click.group(cls=Root, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="colourmatch %(version)s")
def root() -> None:
    """Tint a small batch until it looks like its reference."""
