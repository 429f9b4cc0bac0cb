"""The registry of flags: every code raised is in it, all in it are raised, every sentence says what to do."""

import ast
import re
import string
from pathlib import Path

import pytest

from colourmatch.photo.quality import FLAGS, flag

PACKAGE = Path(__file__).parents[2] / "colourmatch"


def calls_of(name: str) -> list[tuple[Path, ast.Call]]:
    """All calls of a function by its plain name, with their files: whichever file holds the line."""
    sources = {path: path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py"))}
    return [
        (path, node)
        for path, text in sources.items()
        if f"{name}(" in text
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name
    ]


#: A value for each detail that a sentence may ask for.
DETAILS = {
    "why": "it is cut off", "px_per_mm": 1.234, "mm": 0.987, "spot": "batch", "percent": 12.3, 
    "degrees": 34.5, "when": "2027-01-03 14:00 UTC", "clarity": 0.876, "low": 0.85, "high": 0.9, "channel": "blue", "parts": 4,
}  # fmt: skip


def raised() -> list[tuple[str, str, set[str]]]:
    """Where a flag is raised with a fixed code: file, code, names of its details."""
    found = [(path.name, node) for path, node in calls_of("flag")]
    details = [(name, node, {keyword.arg for keyword in node.keywords}) for name, node in found]
    return [(name, code, named) for name, node, named in details for code in codes_of(node.args[0])]


def codes_of(node: ast.expr) -> list[str]:
    if isinstance(node, ast.Constant):
        return [node.value]
    if isinstance(node, ast.JoinedStr):
        pattern = "".join(part.value if isinstance(part, ast.Constant) else "{}" for part in node.values)
        return [pattern.replace("{}", spot) for spot in ("reference", "batch")]
    if isinstance(node, ast.IfExp):
        return codes_of(node.body) + codes_of(node.orelse)
    return []


RAISED = raised()


def fields(code: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(FLAGS[code][1]) if name is not None}


@pytest.mark.parametrize("code", FLAGS)
def test_every_flag_has_a_severity_and_whole_sentences(code):
    made = flag(code, **{name: DETAILS[name] for name in fields(code)})
    assert made.severity in ("warn", "refuse")
    assert made.code == code and re.fullmatch(r"[a-z]+(-[a-z]+)*", code)
    assert made.text.endswith(".") and made.text[0].isupper()
    assert "{" not in made.text and "}" not in made.text
    assert "  " not in made.text and made.text == made.text.strip()
    assert len(made.text) < 240, "it is read on a phone"
    # a refusal has two sentences at least: what is wrong, then an imperative
    assert made.severity == "warn" or len(re.findall(r"\.(?: |$)", FLAGS[code][1])) >= 2


@pytest.mark.parametrize(("file", "code", "details"), RAISED, ids=[f"{f}-{c}" for f, c, _ in RAISED])
def test_every_code_raised_is_in_the_registry_with_all_its_details(file, code, details):
    assert code in FLAGS
    assert fields(code) == details


def test_every_code_in_the_registry_is_raised_somewhere():
    used = {code for _, code, _ in RAISED}
    # find_card picks between these two by a name
    used |= {"blurred", "no-card"}
    assert set(FLAGS) - used == set()
