"""A short slice of the fuzz in every run of the tests, other inputs than those of the long run by hand (run_fuzz.py)."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from fuzz_targets import TARGETS, Fault, judge_sentence
from run_fuzz import fuzz_range

SLICE = {"photos": 250, "exports": 60, "backups": 40, "entries": 250, "lines": 120}


@pytest.mark.parametrize("kind", TARGETS, ids=lambda kind: kind.name)
def test_nothing_but_answers_and_sentences(kind, monkeypatch):
    for name in ("COLOURMATCH_BOOK", "XDG_DATA_HOME", "COLUMNS"):
        monkeypatch.setenv(name, "80")  # what the target sets is put back afterwards
    outcomes, faults = fuzz_range(kind, "slice", range(SLICE[kind.name]), 300)
    assert faults == []
    assert outcomes["refused"] > 5 and outcomes.total() > outcomes["refused"]


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
