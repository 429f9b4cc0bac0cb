"""The fuzz: a slice of it in every run of the tests, and by hand 100,000 inputs or one of them again.

    COLOURMATCH_TEST_FUZZ=100000 pytest tests/fuzz --dist load
    COLOURMATCH_TEST_FUZZ=photos:1234 pytest tests/fuzz -n 0 -k answers

An input follows from seed, target and number alone. By hand the system limits the memory of a process (RLIMIT_DATA, which
counts what is allocated, not what is mapped from files), and an input that takes longer than TIMEOUT_S ends its process,
whatever it is busy with, its trace in hang.txt of the test's folder; pytest-xdist names the part that ended so and goes on.
"""

import faulthandler
import os
import resource
import sys
from collections import Counter
from pathlib import Path
from random import Random

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from fuzz_targets import TARGETS, Fault, Target, judge_sentence

ASKED = os.environ.get("COLOURMATCH_TEST_FUZZ", "")
SLICE = {"photos": 250, "exports": 60, "backups": 40, "entries": 250, "lines": 120}
SHARES = {"photos": 50, "exports": 17, "backups": 3, "entries": 15, "lines": 15}
PART, TIMEOUT_S, MEMORY_BYTES = 250, 20, 1_500_000_000


def list_parts() -> list[tuple[type[Target], str, range]]:
    """What is run: target, seed and numbers of its inputs; those of the slice are others than those by hand."""
    if not ASKED:
        return [(kind, "slice", range(SLICE[kind.name])) for kind in TARGETS]
    if ":" in ASKED:
        name, number = ASKED.split(":")
        return [(kind, "1", range(int(number), int(number) + 1)) for kind in TARGETS if kind.name == name]
    counts = {kind: int(ASKED) * SHARES[kind.name] // 100 for kind in TARGETS}
    return [
        (kind, "1", range(first, min(first + PART, count)))
        for kind, count in counts.items()
        for first in range(0, count, PART)
    ]


def name_part(value: object) -> str | None:
    return value.name if isinstance(value, type) else str(value[0]) if isinstance(value, range) else None


@pytest.mark.parametrize(("kind", "seed", "numbers"), list_parts(), ids=name_part)
def test_nothing_but_answers_and_sentences(kind, seed, numbers, monkeypatch, tmp_path):
    for name in ("COLOURMATCH_BOOK", "XDG_DATA_HOME", "COLUMNS"):
        monkeypatch.setenv(name, "80")  # what the target sets is put back afterwards
    if ASKED:
        resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    outcomes: Counter[str] = Counter()
    target = kind(tmp_path)
    with (tmp_path / "hang.txt").open("w") as trace:
        for number in numbers:
            if ASKED:
                faulthandler.dump_traceback_later(TIMEOUT_S, exit=True, file=trace)
            made = target.make(Random(f"{seed} {target.name} {number}"))
            try:
                outcomes[target.judge(made)] += 1
            except Exception as error:
                pytest.fail(f"{target.name}:{number}, {repr(made)[:300]}: {type(error).__name__}: {str(error)[:600]}")
        faulthandler.cancel_dump_traceback_later()
    assert ASKED or (outcomes["refused"] > 5 and outcomes.total() > outcomes["refused"])


@pytest.mark.parametrize(
    "text", ["", "Something failed", "It is broken.", "Give\x1b[31m another one.", "Give " + "a" * 1200 + "."]
)
def test_what_is_no_sentence_or_says_nothing_to_do_is_a_fault(text):
    with pytest.raises(Fault):
        judge_sentence(text)


@pytest.mark.parametrize(
    "text",
    ["The file is empty. Copy it again.", "There is no lot 'x'. See: colourmatch lot list --help",
     "There is no stock 'x'. Add one with: colourmatch stock add NAME --colourant E129"],
)  # fmt: skip
def test_sentences_that_say_what_to_do_pass(text):
    judge_sentence(text)
