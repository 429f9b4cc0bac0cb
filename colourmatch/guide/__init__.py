"""The pages of the guide, which lie beside this file as Markdown: what there is, and the parts of a page; what they
say is compared with the program by tests/guide/."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from colourmatch.errors import NotFoundError

_FOLDER = Path(__file__).resolve().parent
#: This share of the words must be held by a part that is shown.
_LEAST_SHARE = 0.6
_HEADING = re.compile(r"^(#{1,4}) +(.+?)\s*$")


@dataclass(frozen=True)
class Section:
    """A part of a page: its heading, how deep that stands (1 to 4), and its Markdown without the heading."""

    title: str
    level: int
    text: str

    @property
    def markdown(self) -> str:
        """The part with its heading."""
        return f"{'#' * self.level} {self.title}\n\n{self.text}".rstrip() + "\n"


@dataclass(frozen=True)
class Page:
    """A page: the name by which it is asked for, its title, and what it is for."""

    name: str
    title: str
    about: str

    @property
    def text(self) -> str:
        """The whole page as Markdown."""
        return (_FOLDER / f"{self.name}.md").read_text(encoding="utf-8")


PAGES = (
    Page("answers", "Answers", "What goes wrong and what to do: every note, refusal and stop."),
    Page(
        "ways",
        "Ways of working",
        "Beyond the plain lot: phone and desk, trials, other lights, other programs.",
    ),
    Page("method", "Method", "From photo to advice: the equations, their sources and their limits."),
    Page("care", "Care and law", "Limits, warnings for the label, allergens, samples, and who decides."),
    Page("reference", "Reference", "Every command, option, exit code and JSON field."),
)


def find_page(name: str) -> Page:
    """A page by its name; the beginning is enough. NotFoundError names the pages there are.

    >>> find_page("ref").title
    'Reference'
    """
    wanted = name.strip().casefold()
    fits = [page for page in PAGES if wanted and page.name.startswith(wanted)]
    if len(fits) == 1:
        return fits[0]
    names = [page.name for page in PAGES]
    near = difflib.get_close_matches(wanted, names, n=1)
    listed = f"Near it: {near[0]}" if near else f"There are: {', '.join(names)}"
    raise NotFoundError(f"The guide has no page {name!r}. {listed}.")


@cache
def list_sections(page: Page) -> tuple[Section, ...]:
    """The parts of a page in order; headings inside a code block are none."""
    parts: list[tuple[str, int, list[str]]] = []
    in_code = False
    for line in page.text.splitlines():
        in_code ^= line.startswith("```")
        heading = None if in_code else _HEADING.match(line)
        if heading:
            parts.append((heading[2], len(heading[1]), []))
        elif parts:
            parts[-1][2].append(line)
    return tuple(Section(title, level, "\n".join(lines).strip()) for title, level, lines in parts)


#: Plain words of people -> a word of the pages that answers them.
_PLAIN = {
    "stain": "spilt", "stained": "spilt", "stains": "spilt", "spilled": "spilt", "spill": "spilt", "dropped": "spilt",
    "overshot": "past", "overdone": "past", "darker": "past the match", "paler": "past the match", "cloudy": "hazy",
    "turbid": "hazy", "mistake": "wrong", "undo": "undo", "recall": "trace", "expired": "use by", "scale": "grams",
    "weigh": "grams", "law": "limit", "legal": "limit", "allergy": "allergen", "fades": "fade", "fading": "fade",
}  # fmt: skip


def find_sections(page: Page, wanted: str) -> tuple[Section, ...]:
    """The parts that hold every word of `wanted`, those that hold them in their heading first; all for no word.

    Where none holds every word, those that hold most of them, as of a message whose details differ.
    """
    words = set(re.findall(r"[\w'-]+", wanted.casefold()))
    if not words:
        return list_sections(page)

    def count(text: str) -> int:
        folded = text.casefold()
        return sum(word in folded or _PLAIN.get(word, word) in folded for word in words)

    held = {part: count(f"{part.title} {part.text}") for part in list_sections(page) if part.text}
    most = max(held.values(), default=0)
    if most < _LEAST_SHARE * len(words):
        return ()
    found = [part for part, number in held.items() if number == most]
    return tuple(sorted(found, key=lambda part: -count(part.title)))
