"""The guide's pages are there, no word of the program's is missing, its figures are the code's; docstrings' examples hold."""

import doctest
import importlib
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from colourmatch import errors
from colourmatch.cli import run
from colourmatch.errors import NotFoundError
from colourmatch.guide import PAGES, find_page, find_sections, list_sections
from colourmatch.photo.quality import FLAGS, UNLIKE_THE_REST

PACKAGE = Path(errors.__file__).parent
ANSWERS, METHOD, CARE = (find_page(name) for name in ("answers", "method", "care"))
CODE_OF_HEADING = re.compile(r"\(([a-z]+(?:-[a-z]+)*)\)$")


def sources(*rooms: str) -> str:
    """The code of some rooms."""
    assert all((PACKAGE / room).is_dir() for room in rooms)
    files = (path for room in rooms for path in sorted((PACKAGE / room).rglob("*.py")))
    return "\n".join(path.read_text(encoding="utf-8") for path in files)


def answered() -> set[str]:
    return {found[1] for part in list_sections(ANSWERS) if (found := CODE_OF_HEADING.search(part.title))}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_a_page_has_its_title_and_no_empty_part(page):
    parts = list_sections(page)
    assert (parts[0].title, parts[0].level) == (page.title, 1)
    assert sum(part.level == 1 for part in parts) == 1
    below = [*(part.level for part in parts[1:]), 0]
    assert all(part.text or deeper > part.level for part, deeper in zip(parts, below, strict=True))
    titles = [part.title for part in parts]
    assert len(titles) == len(set(titles)), "an anchor must lead to one place"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_the_links_of_a_page_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)]+)\)", page.text):
        name, _, anchor = target.partition("#")
        there = find_page(name.removesuffix(".md")) if name else page
        titles = [part.title.lower() for part in list_sections(there)]
        anchors = {re.sub(r"[^a-z0-9 -]", "", title).replace(" ", "-") for title in titles}
        assert not anchor or anchor in anchors, target


def test_pages_are_found_by_their_beginning_and_words_in_headings_first():
    assert find_page("ans") is ANSWERS
    with pytest.raises(NotFoundError, match=r"has no page 'metod'\. Near it: method"):
        find_page("metod")
    with pytest.raises(NotFoundError, match="There are: answers, ways"):
        find_page("")
    assert find_sections(ANSWERS, "HAZY haze")[0].title == "Hazy (haze)"
    assert find_sections(ANSWERS, "xyzzy") == ()
    assert find_sections(ANSWERS, " ") == list_sections(ANSWERS)
    assert not any(part.title.startswith("!") for page in PAGES for part in list_sections(page))


class Details(dict[str, object]):
    """A value for each detail of a message."""

    def __missing__(self, key: str) -> object:
        return {"spot": "batch", "channel": "blue", "why": "the file is empty"}.get(key, 4.2)


@pytest.mark.parametrize(
    ("code", "severity", "text"),
    [*((code, *told) for code, told in FLAGS.items()), ("glare", "warn", UNLIKE_THE_REST)],
)
def test_every_quality_flag_has_an_answer_that_its_words_find(code, severity, text):
    part = next(p for p in list_sections(ANSWERS) if p.title.endswith(f"({code})"))
    assert part.text.startswith("Note:" if severity == "warn" else "Refusal:")
    quoted = re.sub(r"{[^}]*}", "...", text)
    assert f'"{quoted}"' in " ".join(part.text.split()), "the page quotes the message"
    message = text.format_map(Details())
    assert part in find_sections(ANSWERS, message)[:2], "a message that is pasted leads to its answer"


def test_every_reason_and_every_code_of_a_refusal_has_an_answer():
    """The reasons that dosing gives, read off its code, are those of the page and no more."""
    given = re.findall(r'(?:Advice\(|facts,)\s*"(?:add|stop|rephotograph)",\s*"([a-z]+)"', sources("dosing"))
    assert set(given) == {"step", "matched", "nearest", "ceiling", "past", "photo"}
    assert set(given) <= answered()
    kinds = [errors.ColourMatchError, *errors.ColourMatchError.__subclasses__()]
    codes = {kind.code for kind in kinds} | {"usage", "fault"}
    code = sources("photo", "liquid", "book", "instrument", "workflow")
    raised = re.findall(r'"([a-z]+(?:-[a-z]+)*)"\s*\)(?: from [a-zA-Z]+)?\n', code)
    raised = {code for code in raised if code in FLAGS or code == "unknown-colourant"}
    assert codes | set(raised) <= answered()
    assert answered() <= codes | set(raised) | set(FLAGS) | {"step", "matched", "nearest", "ceiling", "past"}


def test_cautions_modules_and_rooms_are_on_their_pages():
    code = sources("dosing", "commands")
    computed = {"limit", "not-permitted", "limit-unknown", "ceiling", "ceiling-by-photos"}
    given = set(re.findall(r'Caution\(\s*"([a-z-]+)"', code)) | computed
    listed = set(re.findall(r"^\| `([a-z-]+)` \|", CARE.text, re.MULTILINE))
    assert given == listed
    named = re.findall(r"\b((?:photo|colour|liquid|dosing|book|instrument|workflow|paper)/[a-z_]+\.py)", METHOD.text)
    assert len(set(named)) > 20
    assert [name for name in named if not (PACKAGE / name).is_file()] == []
    told = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = {path.parent.name for path in PACKAGE.glob("*/__init__.py")} - {"calibration"}
    assert rooms <= set(re.findall(r"^\| `([a-z]+)/`", told, re.M))


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """What one call prints on stdout."""

    def call(*arguments: str, code: int = 0) -> str:
        assert run(["guide", *arguments]) == code
        return capsys.readouterr().out

    return call


def test_the_command_reads_searches_refuses_and_is_dressed_up_on_a_terminal(said, monkeypatch):
    assert all(page.about in said() for page in PAGES)
    assert said("method").strip() == METHOD.text.strip(), "plain Markdown when it is passed on"
    assert "### Hazy (haze)" in said("answers", "--find", "haze")
    assert "# Hazy (haze)" in said("--find", "fogged glass")
    assert said("care", "--find", "xyzzy") == "Nothing in the page care holds 'xyzzy'. Try one word of it.\n"
    told = json.loads(said("care", "--json"))
    assert told["page"] == "care" and told["text"] == CARE.text
    assert [part["title"] for part in told["sections"]] == [part.title for part in list_sections(CARE)]
    assert "has no page" in json.loads(said("nothing", "--json", code=2))["error"]["text"]
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    told = said("answers", "--find", "fogged glass")
    assert "Hazy (haze)" in told and "###" not in told


FILES = [path for path in sorted(PACKAGE.rglob("*.py")) if ">>> " in path.read_text(encoding="utf-8")]
WITHOUT_ENDING = [path.relative_to(PACKAGE.parent).with_suffix("") for path in FILES]
MODULES = [".".join(path.parts).removesuffix(".__init__") for path in WITHOUT_ENDING]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_hold(name):
    found = doctest.testmod(importlib.import_module(name), optionflags=doctest.FAIL_FAST)
    assert found.attempted and not found.failed


def test_the_rooms_of_colour_liquids_and_doses_have_examples():
    assert {name.split(".")[1] for name in MODULES} >= {"colour", "liquid", "dosing"}
