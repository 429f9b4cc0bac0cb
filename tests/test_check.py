"""The one command of all checks: what it makes of each outcome, and its table."""

import check
import pytest
from check import FAILED, NOT_RUN, PASSED, Outcome, read_audit, show_table

CLEAN = {"name": "numpy", "version": "2.4.6", "vulns": []}
HIT = {"name": "pillow", "version": "1.0", "vulns": [{"id": "PYSEC-0000-1"}]}
UNKNOWN = {"name": "click", "skip_reason": "not found"}


def test_the_table_says_what_passed_and_how_long_it_took():
    rows = [("format", Outcome(PASSED, "258 files"), 0.21), ("types", Outcome(FAILED), 31.0)]
    assert show_table(rows) == ("format   passed       0.2 s  258 files\ntypes    FAILED      31.0 s")


@pytest.mark.parametrize(
    ("found", "state", "words"),
    [
        ([CLEAN], PASSED, "1 packages"),
        ([CLEAN, UNKNOWN], PASSED, "1 packages; not known there: click"),
        ([CLEAN, HIT], FAILED, "1 advisories"),
        ([UNKNOWN], NOT_RUN, "no package could be looked up"),
        ("pip-audit: no network", NOT_RUN, "pip-audit: no network"),
    ],
)
def test_an_audit_that_looked_at_nothing_is_no_pass(found, state, words):
    assert read_audit(found) == (state, words)


@pytest.mark.parametrize(("state", "code"), [(PASSED, 0), (NOT_RUN, 0), (FAILED, 1)])
def test_a_failure_fails_the_command_and_stops_no_other_check(state, code, monkeypatch, capsys):
    monkeypatch.setattr(check, "CHECKS", {"one": lambda: Outcome(state), "two": lambda: Outcome(PASSED)})
    assert check.main([]) == code
    last = capsys.readouterr().out.splitlines()[-2:]
    assert last[0].split()[:2] == ["one", state.split()[0]] and last[1].startswith("two      passed")
    assert check.main(["two"]) == 0
