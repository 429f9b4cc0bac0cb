"""The reference page is what the program is: commands and options, and every JSON field that a command prints."""

import re
from collections import Counter
from datetime import date, datetime
from typing import Any

import make_reference
import pytest
from golden import differences, freeze, read_golden
from make_reference import PLAIN_TYPES, every_command, read_fields
from playing import Objects, play

TOLD = read_fields()
COMMANDS = dict(every_command())


@pytest.fixture(scope="module")
def objects(tmp_path_factory: pytest.TempPathFactory) -> Objects:
    """What every command printed on the sample photos."""
    return play(tmp_path_factory.mktemp("played"))


class Comparison:
    """Compares values with what the page says, and keeps which fields were seen with a value."""

    def __init__(self) -> None:
        self.seen: Counter[tuple[str, str]] = Counter()

    def compare(self, value: Any, kind: str, where: str) -> list[str]:
        """What does not fit, in words; nothing when all does."""
        if kind.startswith("(") and kind.endswith(")"):
            kind = kind[1:-1]
        if kind.endswith(" or null"):
            return [] if value is None else self.compare(value, kind.removesuffix(" or null"), where)
        if kind.startswith("list of "):
            if not isinstance(value, list):
                return [f"{where} is no list"]
            return [e for x in value for e in self.compare(x, kind.removeprefix("list of "), f"{where}[]")]
        if kind.startswith("map of "):
            if not isinstance(value, dict):
                return [f"{where} is no object"]
            of = kind.removeprefix("map of ")
            return [e for k, x in value.items() for e in self.compare(x, of, f"{where}.{k}")]
        if kind in PLAIN_TYPES:
            return [] if is_plain(value, kind) else [f"{where} is {value!r}, not {kind}"]
        return self.compare_object(value, kind, where)

    def compare_object(self, value: Any, name: str, where: str) -> list[str]:
        if not isinstance(value, dict):
            return [f"{where} is {value!r}, not the object {name}"]
        fields = TOLD.whole(name)
        wrong = [f"{where}.{key} is not in the reference" for key in value.keys() - fields.keys()]
        for key, field in fields.items():
            if key not in value:
                wrong += [] if field.optional else [f"{where}.{key} is missing"]
                continue
            wrong += self.compare(value[key], field.type, f"{where}.{key}")
            if value[key] is not None and value[key] != [] and value[key] != {}:
                self.seen[name, key] += 1
        return wrong


def is_list_of(value: Any, kind: str) -> bool:
    return isinstance(value, list) and all(is_plain(one, kind) for one in value)


def is_plain(value: Any, kind: str) -> bool:
    """Whether a value is of a plain type."""
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if kind in ("time", "date"):
        read = datetime.fromisoformat if kind == "time" else date.fromisoformat
        return isinstance(value, str) and bool(read(value))
    sizes = {"lab": 3, "box": 4}
    if kind in sizes:
        return is_list_of(value, "number") and len(value) == sizes[kind]
    if kind in ("matrix", "outline"):
        long = 3 if kind == "matrix" else 2
        return isinstance(value, list) and all(is_list_of(row, "number") and len(row) == long for row in value)
    return {
        "text": isinstance(value, str), "number": number, "whole": number and value == int(value),
        "true or false": isinstance(value, bool), "any": True,
    }[kind]  # fmt: skip


def compare_forms(comparison: Comparison, value: Any, forms: list[str], where: str) -> list[str]:
    """What does not fit in the form that fits best; only that form counts as seen."""
    tries = []
    for form in [*forms, "refusal"]:
        one = Comparison()
        tries.append((one.compare_object(value, form, where), one))
    wrong, best = min(tries, key=lambda pair: len(pair[0]))
    if not wrong:
        comparison.seen += best.seen
    return wrong


@pytest.mark.parametrize(
    ("page", "write"),
    [
        (make_reference.PAGE, lambda _page: make_reference.write_reference()),
        (make_reference.CARE, make_reference.write_care),
        (make_reference.METHOD, make_reference.write_method),
    ],
    ids=["reference", "care", "method"],
)
def test_the_committed_page_is_what_the_program_gives(page, write):
    text = page.read_text(encoding="utf-8")
    assert text == write(text), "run: python tests/guide/make_reference.py"


def test_every_command_object_and_field_is_told():
    assert set(TOLD.forms) == set(COMMANDS)
    named = {form for forms in TOLD.forms.values() for form in forms} | {"refusal"}
    for shape in TOLD.shapes.values():
        named |= set(shape.like)
        for field in shape.fields.values():
            kind = re.sub(r"(list|map) of | or null|[()]", "", field.type)
            named |= set() if kind in PLAIN_TYPES else {kind}
    assert named == set(TOLD.shapes)
    empty = [f"{s.name}.{f.name}" for s in TOLD.shapes.values() for f in s.fields.values() if not f.meaning]
    assert not empty and all(one.about.endswith(".") or "[" in one.about for one in TOLD.shapes.values())


def test_the_json_of_every_command_is_that_of_the_reference(objects):
    """Nothing is missed, nothing invented: each field printed is told, and each field told was printed with a value."""
    comparison = Comparison()
    calls = [(command, value) for command, printed in objects.items() for value in printed]
    compared = [compare_forms(comparison, value, TOLD.forms[name], name) for name, value in calls]
    wrong = [error for errors in compared for error in errors]
    assert not wrong, "\n".join(sorted(set(wrong)))
    assert set(objects) == set(COMMANDS)
    told = {(name, key) for name, shape in TOLD.shapes.items() for key in shape.fields}
    seen = comparison.seen
    inherited = {(name, key) for s in TOLD.shapes.values() for name in s.like for key in TOLD.whole(name)
                 if seen[s.name, key]}  # fmt: skip
    never = told - set(seen) - inherited
    assert not never, f"told, but never printed with a value: {sorted(never)}"


def test_the_json_of_every_command_is_the_frozen_one(objects):
    """Each difference with its command and field; when it is meant: python tests/guide/golden.py."""
    golden, now = read_golden(), freeze(objects)
    assert not sorted(golden.keys() - now.keys()), "commands that are gone"
    wrong = [line for name, calls in now.items() for line in differences(golden.get(name), calls, name)]
    assert not wrong, "\n".join(wrong)


def test_a_frozen_value_lets_sentences_and_the_last_digits_change_and_nothing_else():
    entry = {
        "entry": 3, "quantity": 12.0, "lab": [77.1, 46.0], "action": "add", "text": "Add 12 drops.", "missing": None,
        "at": "2026-03-02T10:00:00+00:00", "outline": [[float(k), 0.0] for k in range(20)],
    }  # fmt: skip
    golden = freeze({"lot add": [entry]})
    same = {"text": "Now stir.", "at": "2027-01-01T00:00:00+00:00", "lab": [77.9, 46.04]}
    assert not differences(golden, freeze({"lot add": [entry | same]}), "")
    for change in (
        {"entry": 4}, {"quantity": 12.01}, {"lab": [77.1, 48.0]}, {"action": "stop"}, {"text": None}, {"more": 1},
        {"missing": "red"}, {"lab": [77.1]}, {"entry": 3.0}, {"outline": [[9.0, 0.0]] * 20}, {"at": "now"},
    ):  # fmt: skip
        field = next(iter(change))
        wrong = differences(golden, freeze({"lot add": [entry | change]}), "")
        assert wrong and all(line.startswith(f".lot add[0].{field}") for line in wrong), change
    without = {name: value for name, value in entry.items() if name != "action"}
    assert differences(golden, freeze({"lot add": [without]}), "") == [".lot add[0].action is gone"]
