"""Names that the Tab key completes: lots, stocks, colourants, pages of the guide. A book that cannot be read has none."""

from __future__ import annotations

from click.shell_completion import CompletionItem

from colourmatch.errors import ColourMatchError

#: So many of the newest lots are offered.
_MOST = 200


def find_names(kind: str, begun: str, place: str | None) -> list[CompletionItem]:
    """The names of a kind that begin so, capitals or not, each with what it is."""
    try:
        known = {"lots": _lots, "stocks": _stocks, "colourants": _colourants, "pages": _pages}[kind](place)
    except (ColourMatchError, OSError):
        return []
    folded = begun.casefold()
    return [CompletionItem(name, help=told) for name, told in known if name.casefold().startswith(folded)]


def _lots(place: str | None) -> list[tuple[str, str]]:
    from colourmatch.book.lot_book import read_book

    with read_book(place, needed=False) as book:
        lots = book.lots.search(limit=_MOST)
    return [(one.label, one.name) for one in lots]


def _stocks(place: str | None) -> list[tuple[str, str]]:
    from colourmatch.book.lot_book import read_book

    with read_book(place, needed=False) as book:
        return [(one.name, one.colourant) for one in book.stocks.all()]


def _colourants(_place: str | None) -> list[tuple[str, str]]:
    from colourmatch.liquid.colourants import list_colourants

    return [(one.e_number, one.name) for one in list_colourants()]


def _pages(_place: str | None) -> list[tuple[str, str]]:
    from colourmatch.guide import PAGES

    return [(page.name, page.title) for page in PAGES]
