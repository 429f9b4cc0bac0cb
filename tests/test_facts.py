"""The fact files: found, readable, and each with its source and status."""

import pytest

from colourmatch.facts import find_fact, read_rows

CSV_FILES = sorted(path.name for path in find_fact("colourants.csv").parent.glob("*.csv"))
ALL_FILES = CSV_FILES + sorted(path.name for path in find_fact("colourants.csv").parent.glob("*.json"))
#: Files whose source stands in calibration/README.md, or in a column, instead of a header line.
NO_HEADER = {"colourants.csv", "limits.csv"}


@pytest.mark.parametrize("name", CSV_FILES)
def test_every_file_begins_with_its_source_and_every_row_has_every_field(name):
    rows = read_rows(name)
    assert rows
    for row in rows:
        assert None not in row and None not in row.values(), row
    first = find_fact(name).read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("# ") or name in NO_HEADER


@pytest.mark.parametrize("name", ALL_FILES)
def test_every_file_is_in_the_readme(name):
    assert f"`{name}`" in find_fact("README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["limits.csv", "jurisdictions.csv", "alcoholic.csv"])
def test_every_legal_figure_has_a_status(name):
    for row in read_rows(name):
        assert row["status"].strip()


def test_colourants_are_unique_and_possible_and_six_have_the_eu_warning():
    rows = read_rows("colourants.csv")
    assert len({row["e_number"] for row in rows}) == len(rows)
    for row in rows:
        assert row["eu_warning"] in ("yes", "no")
        if row["peak_nm"]:
            assert 400 <= float(row["peak_nm"]) <= 700
            # a colour without an E number has the strength of a usual bottle, not that of its pure dye
            least = 100 if row["e_number"].startswith("E1") else 5
            assert least <= float(row["e1pct_1cm"]) <= 3000
    # Regulation (EC) No 1333/2008, Annex V.
    warned = {row["e_number"] for row in read_rows("colourants.csv") if row["eu_warning"] == "yes"}
    assert warned == {"E102", "E104", "E110", "E122", "E124", "E129"}


def test_what_was_compared_with_the_law_says_how_it_was_seen():
    assert {row["status"] for row in read_rows("law_checked.csv")} == {
        "seen", "seen at second hand", "seen in the older law", "not found",
    }  # fmt: skip
