"""Writes reference.md of the guide (commands and options from the program, JSON fields from json_fields.txt) the limits
in care.md (from calibration/), and the figures in method.md (from the code).

Run: python tests/guide/make_reference.py      (test_reference.py fails while the pages are not what this writes)
"""

import importlib
import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import click
import numpy as np

from colourmatch.commands.framework import root
from colourmatch.facts import read_rows

HERE = Path(__file__).resolve().parent
PAGE = HERE.parents[1] / "colourmatch" / "guide" / "reference.md"
CARE, METHOD = PAGE.with_name("care.md"), PAGE.with_name("method.md")
PLAIN_TYPES = {
    "text": "text",
    "number": "a number",
    "whole": "a whole number",
    "true or false": "true or false",
    "time": "date and time as in ISO 8601",
    "date": "a date as in ISO 8601",
    "lab": "three numbers",
    "matrix": "three rows of three numbers",
    "box": "four numbers",
    "outline": "a list of points, each two numbers",
    "any": "any value",
}


def every_command(group: click.Group = root, path: str = "") -> Iterator[tuple[str, click.Command]]:
    """All commands with their full names, in the order of the help."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        assert found is not None
        if isinstance(found, click.Group):
            yield from every_command(found, f"{path}{name} ")
        else:
            yield f"{path}{name}", found


@dataclass(frozen=True)
class Field:
    """A field of an object; `optional`: it may be left out."""

    name: str
    type: str
    unit: str
    meaning: str
    optional: bool


@dataclass
class Shape:
    """An object of the JSON: what it is, and its fields in order."""

    name: str
    about: str = ""
    fields: dict[str, Field] = field(default_factory=dict)
    like: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Fields:
    """All that json_fields.txt says."""

    forms: dict[str, list[str]]
    shapes: dict[str, Shape]

    def whole(self, name: str) -> dict[str, Field]:
        """The fields of an object, those of the objects it is like included."""
        shape = self.shapes[name]
        found: dict[str, Field] = {}
        for other in shape.like:
            found |= self.whole(other)
        return found | shape.fields


def read_fields() -> Fields:
    """json_fields.txt; ValueError for a line that says nothing known."""
    forms: dict[str, list[str]] = {}
    shapes: dict[str, Shape] = {}
    shape = Shape("")
    for line in (HERE / "json_fields.txt").read_text(encoding="utf-8").splitlines():
        if not line.strip() or line.startswith("# "):
            continue
        if line.startswith("@ "):
            command, _, names = line[2:].partition(":")
            forms[command] = [name.strip() for name in names.split(",")]
        elif line.startswith("## "):
            shape = shapes.setdefault(line[3:], Shape(line[3:]))
        elif line.startswith("+ "):
            shape.like.append(line[2:])
        elif line.count(" | ") + line.count(" |  ") >= 2 and "|" in line:
            name, kind, unit, meaning = (part.strip() for part in line.split("|", 3))
            known = name.removesuffix("?")
            shape.fields[known] = Field(known, kind, unit, meaning, name.endswith("?"))
        elif not shape.about:
            shape.about = line
        else:
            raise ValueError(f"json_fields.txt says {line!r}, which is no field")
    return Fields(forms, shapes)


INTRODUCTION = """\
# Reference

Every command, option, exit code and JSON field. This page is written from the program itself; what it says of the
JSON is checked by playing every command on photos.

## Rules of the command line

- `colourmatch` and `python -m colourmatch` are the same.
- Numbers may have a decimal comma. 1,500 is asked about where it can be read in two ways.
- Amounts may have their unit, whatever the name of the option: '2 l', '1 cl', '500 mg', '1 cm', '60 mg/l', '1 %' (g in
  100 ml). A bare number is in the unit of the option's name; `--volume` is in ml.
- A size that is hardly meant as typed ends with the code question and both readings; `--sure` takes it as typed.
- A book that is not there is begun only by `stock add`, `reference add`, `card-profile add`, `lot import`,
  `book restore`, `app` and `demo`, and said on stderr.
- Every command takes `--json`; all but `card`, `guide` and `completion` take `--book PLACE`, also before the
  command. `--help` shows an example.
- A lot is named by its number in the book or by the maker's own number; a stock or reference by its name.
- `--by WHO` says who did it. With `--token TEXT` the same call again enters nothing twice.
- PLACE is a path or a database URL. Without it the book is COLOURMATCH_BOOK, else in a per-user folder. Photos of a book
  on a server lie in COLOURMATCH_PHOTOS.

| exit code | meaning |
|---|---|
| 0 | done; a stop and a doubtful photo are results |
| 1 | a fault of the program; COLOURMATCH_DEBUG=1 shows the trace |
| 2 | something that can be mended; one line on stderr says what and how |
| 130 | stopped with Ctrl+C; what was entered is kept |

## Rules of the JSON

With `--json` a command prints one JSON object on one line of stdout, and everything else on stderr. Fields may be added
in later versions; none is renamed or taken away. A field that does not apply is null; the few that are left out instead
are marked. Text is UTF-8, a number that does not exist (NaN) is null. Colours are CIELAB, D65, 2 degrees, unless the
field says otherwise; "part" is a part of 1; a range that is called 95 % is one of 95 %.

What other programs rest on most: `action` is add, stop or rephotograph; `reason` is step, matched, nearest, ceiling,
past or photo.
"""


def write_reference() -> str:
    """The whole page."""
    told = read_fields()
    parts = [INTRODUCTION, "## Commands\n"]
    parts += [_write_command(name, command, told) for name, command in every_command()]
    parts.append("## JSON objects\n")
    parts += [_write_shape(shape, told) for shape in sorted(told.shapes.values(), key=lambda s: s.name)]
    return "\n".join(parts)


def _write_command(name: str, command: click.Command, told: Fields) -> str:
    context = click.Context(command, info_name=f"colourmatch {name}", max_content_width=10_000)
    usage = " ".join(command.collect_usage_pieces(context))
    about = " ".join((command.help or "").replace("\b", "").split())
    example = (command.epilog or "").split("Example:")[-1].strip()
    lines = [f"### {name}\n", f"`colourmatch {name} {usage}`\n", _wrap(f"{about}") + "\n"]
    for option in command.params:
        record = option.get_help_record(context)
        if isinstance(option, click.Argument) or record is None or {"--json", "--book"} & set(option.opts):
            continue
        lines.append(_wrap(f"- `{record[0]}`: {' '.join(record[1].split())}"))
    links = " or ".join(_link(form) for form in told.forms[name])
    if lines[-1].startswith("- "):
        lines.append("")
    return "\n".join([*lines, f"For example: `{example}`\n", f"JSON: {links}\n"])


def _write_shape(shape: Shape, told: Fields) -> str:
    lines = [f"### {heading(shape.name)}\n", f"{shape.about}\n"]
    lines += [f"- every field of {_link(other)}" for other in shape.like]
    lines += [_write_field(one, told) for one in shape.fields.values()]
    return "\n".join([*lines, ""])


def _write_field(one: Field, told: Fields) -> str:
    unit = f", {one.unit}" if one.unit else ""
    absent = "; may be left out" if one.optional else ""
    return _wrap(f"- `{one.name}` ({_tell_type(one.type)}{unit}{absent}): {one.meaning}")


def _wrap(line: str) -> str:
    hang = "  " if line.startswith("- ") else ""
    return textwrap.fill(line, 118, subsequent_indent=hang, break_long_words=False, break_on_hyphens=False)


def _tell_type(kind: str) -> str:
    if kind.startswith("(") and kind.endswith(")"):
        return _tell_type(kind[1:-1])
    if kind.endswith(" or null"):
        return f"{_tell_type(kind.removesuffix(' or null'))}, or null"
    for start, words in (("list of ", "list of "), ("map of ", "object, each value ")):
        if kind.startswith(start):
            return words + _tell_type(kind.removeprefix(start))
    return PLAIN_TYPES.get(kind) or _link(kind)


def heading(name: str) -> str:
    """The heading of an object: no command has the same, so that its anchor is its own."""
    return f"The object {name}"


def _link(name: str) -> str:
    return f"[{name}](#{re.sub(' ', '-', heading(name).lower())})"


def write_care(page: str) -> str:
    """care.md with the limits as they are on file between its marks."""
    lines = ["## Limits on file\n"]
    for place in read_rows("jurisdictions.csv"):
        lines += [f"{place['jurisdiction']}: {place['law']} ({place['status']}).\n"]
        for row in read_rows("limits.csv"):
            if row["jurisdiction"] == place["jurisdiction"]:
                names = row["colourants"].replace("+", ", ")
                figure = f"{row['limit_mg_per_l']} mg/l, {row['kind']}" if row["limit_mg_per_l"] else row["kind"]
                figure = row["kind"] if row["limit_mg_per_l"] == "0" else figure
                lines.append(_wrap(f"- {names}: {figure} ({row['category']}; {row['status']})"))
        lines.append("")
    before, _, rest = page.partition("<!-- limits -->\n")
    end = "<!-- end of limits -->"
    return "".join([before, "<!-- limits -->\n", "\n".join(lines), end, rest.partition(end)[2]])


def write_method(page: str) -> str:
    """method.md with the figures of its last part as they are in the code."""

    def fill(row: re.Match[str]) -> str:
        found = getattr(importlib.import_module(f"colourmatch.{row[1]}"), row[2])
        return f"- `{row[1]}.{row[2]}` = {', '.join(f'{value:g}' for value in np.atleast_1d(found))}:"

    return re.sub(r"^- `([a-z_.]+)\.([A-Z_]+)` = [^:]*:", fill, page, flags=re.MULTILINE)


if __name__ == "__main__":
    METHOD.write_text(write_method(METHOD.read_text(encoding="utf-8")), encoding="utf-8")
    CARE.write_text(write_care(CARE.read_text(encoding="utf-8")), encoding="utf-8")
    PAGE.write_text(write_reference(), encoding="utf-8")
