"""README.md: short, and what it names exists; test_wheel.py types its first reading."""

import re
import shlex
from pathlib import Path

import click
import pytest
from make_reference import every_command

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
MOST_WORDS = 1500
COMMANDS = dict(every_command())
BLOCKS = re.findall(r"^ *```\n(.*?)^ *```$", README, re.MULTILINE | re.DOTALL)


def first_reading() -> list[str]:
    """The lines to type of the first reading, in order."""
    part = README.partition("## A first reading\n")[2].partition("\n## ")[0]
    blocks = re.findall(r"^ *```\n(.*?)^ *```$", part, re.MULTILINE | re.DOTALL)
    return [line.strip() for block in blocks for line in block.splitlines()]


def typed() -> list[list[str]]:
    """Every call of colourmatch in README, in blocks and in running text, as words."""
    calls = [line.strip() for block in BLOCKS for line in block.replace("\\\n", " ").splitlines()]
    calls += [" ".join(found.split()) for found in re.findall(r"`(colourmatch [^`]+)`", README)]
    calls = [line.removeprefix("$ ") for line in calls]
    return [shlex.split(line)[1:] for line in calls if line.startswith("colourmatch ")]


def test_it_is_short_its_commands_come_first_and_its_links_lead_to_files():
    assert len(README.split()) <= MOST_WORDS
    start, test = BLOCKS[:2]
    assert start.split(" && ")[-1].strip() == ".venv/bin/colourmatch app"
    first = next(line for line in README.splitlines() if "pip install -e '.[test]'" in line)
    assert test.strip() == first and first.endswith(" && .venv/bin/pytest")
    places = [place for place in re.findall(r"\]\(([^)#]+)\)", README) if "://" not in place]
    assert [place for place in places if not (ROOT / place).is_file()] == []
    kept = {str(path.relative_to(ROOT)) for path in (ROOT / "colourmatch" / "screens" / "pictures").iterdir()}
    assert kept == {place for place in places if place.endswith(".png")}


@pytest.mark.parametrize("words", typed(), ids=" ".join)
def test_what_it_types_exists(words):
    name = next(" ".join(words[:n]) for n in (2, 1) if " ".join(words[:n]) in COMMANDS)
    options = {long for one in COMMANDS[name].params if isinstance(one, click.Option) for long in one.opts}
    assert {word for word in words if word.startswith("--")} <= options
