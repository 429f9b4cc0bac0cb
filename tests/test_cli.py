"""The command line as programs drive it: JSON, exit codes, one line for every refusal, a light start."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import click
import pytest

from colourmatch.cli import HELP, run
from colourmatch.commands import running
from colourmatch.commands.base import parse_number
from colourmatch.commands.root import root
from colourmatch.demo import Kitchen, draw_demo_photo
from colourmatch.errors import InputError

ROOT = Path(__file__).parents[1]
STRENGTH_1 = ["stock", "add", "b", "--strength-g-per-100ml", "1"]
RED = ["stock", "add", "red", "--colourant", "E129", "--strength-g-per-100ml", "1.0"]
LOT = ["lot", "new", "--name", "Bitter", "--volume-ml", "900", "--stock", "red", "--ceiling-mg-per-l", "60"]


class Said(NamedTuple):
    """What one call printed and how it ended."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        """The one JSON object on stdout."""
        assert len(self.out.splitlines()) == 1
        return json.loads(self.out)


@pytest.fixture
def cli(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[..., Said]:
    """Calls the command line in this process on a fresh book."""
    monkeypatch.setenv("COLOURMATCH_BOOK", str(tmp_path / "book.sqlite"))
    monkeypatch.delenv("COLOURMATCH_DEBUG", raising=False)

    def call(*arguments: object) -> Said:
        capsys.readouterr()
        code = run([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return Said(code, out, err)

    return call


@pytest.fixture
def lot(cli: Callable[..., Said]) -> Callable[..., Said]:
    """The same with one stock and one lot, id 1, in the book."""
    assert cli(*RED).code == 0
    assert cli(*LOT, "--dilution", "5").code == 0
    return cli


def every_command(group: click.Group = root, path: str = "") -> Iterator[tuple[str, click.Command]]:
    """All commands with their full names."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        assert found is not None
        if isinstance(found, click.Group):
            yield from every_command(found, f"{path}{name} ")
        else:
            yield f"{path}{name}", found


COMMANDS = dict(every_command())


# ---- help, start, documentation --------------------------------------------------------------------------


def test_the_names_of_the_commands_are_the_stable_ones():
    assert set(COMMANDS) == {
        "card", "measure", "demo", "app",
        "stock add", "stock list", "stock weigh", "stock dilute", "stock reset", "stock put-away",
        "lot new", "lot photo", "lot add", "lot sample", "lot correct", "lot list", "lot show", "lot close",
        "lot export", "book check", "book backup", "book restore",
    }  # fmt: skip


@pytest.mark.parametrize("arguments", [["--help"], [], ["--version"]])
def test_help_imports_nothing_heavy(arguments):
    code = (
        "import sys; from colourmatch.cli import run; code = run(sys.argv[1:]); "
        "print(code, *sys.modules, file=sys.stderr)"
    )
    call = [sys.executable, "-c", code, *arguments]
    done = subprocess.run(call, capture_output=True, text=True, cwd=ROOT, timeout=60)
    exit_code, *modules = done.stderr.split()
    assert exit_code == "0" and "colourmatch" in done.stdout
    heavy = {"numpy", "cv2", "sqlalchemy", "scipy", "streamlit", "click", "rich", "PIL", "pandas"}
    assert not heavy & {name.split(".")[0] for name in modules}


def test_help_names_every_command_and_option_of_the_root():
    listed = {line.split()[0] for line in HELP.splitlines() if line.startswith("  ") and line.split()}
    assert {name.split()[0] for name in COMMANDS} <= listed
    for option in root.params:
        assert max(option.opts, key=len) in HELP


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help_with_an_example(cli, name):
    said = cli(*name.split(), "--help")
    assert said.code == 0
    assert f"Example:\n    colourmatch {name}" in said.out.replace(
        "Example:\n  colour", "Example:\n    colour"
    )
    assert "--json" in said.out


@pytest.mark.parametrize("name", COMMANDS)
def test_the_readme_names_each_command_with_its_options(name):
    rows = [
        line for line in (ROOT / "README.md").read_text(encoding="utf-8").splitlines() if line.startswith("|")
    ]
    row = next((line for line in rows if line.startswith(f"| `{name}")), "")
    assert row, f"README.md has no row for {name}"
    everywhere = {"--json", "--book", "--by", "--token"}
    for option in COMMANDS[name].params:
        long_name = max(option.opts, key=len)
        if isinstance(option, click.Option) and long_name not in everywhere:
            assert f"`{long_name}" in row, f"README.md does not name {long_name} of {name}"


def test_module_and_program_are_the_same(cli):
    call = [sys.executable, "-m", "colourmatch", "stock", "list", "--json"]
    done = subprocess.run(call, capture_output=True, text=True, cwd=ROOT, timeout=60)
    assert (done.returncode, json.loads(done.stdout)) == (0, {"stocks": []})
    assert cli("stock", "list", "--json").data == {"stocks": []}


# ---- numbers ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "number"),
    [("12", 12), ("0.05", 0.05), ("0,05", 0.05), (" 1,5 ", 1.5), ("1e3", 1000), (".5", 0.5), ("0", 0),
     ("0,125", 0.125), ("1234,567", 1234.567), ("12,5", 12.5)],
)  # fmt: skip
def test_numbers_with_point_or_comma(typed, number):
    assert parse_number(typed, "--ml") == number


@pytest.mark.parametrize(
    ("typed", "text"),
    [
        ("nan", "--ml is nan. Give a number that can be measured."),
        ("inf", "--ml is inf. Give a number that can be measured."),
        ("-Infinity", "--ml is -Infinity. Give a number that can be measured."),
        ("1e999", "--ml is 1e999. Give a number that can be measured."),
        ("-3", "--ml is -3. Give a number that is not negative."),
        ("abc", "--ml is 'abc', which is not a number. Write digits, such as 12 or 0.5."),
        ("", "--ml is '', which is not a number. Write digits, such as 12 or 0.5."),
        ("1_000", "--ml is '1_000', which is not a number. Write digits, such as 12 or 0.5."),
        ("1.5,5", "--ml is '1.5,5', which is not a number. Write digits, such as 12 or 0.5."),
        ("1.5.5", "--ml is '1.5.5', which is not a number. Write digits, such as 12 or 0.5."),
        ("1,500", "--ml is 1,500, which can be read in two ways. Write 1500 or 1.5."),
    ],
)
def test_what_is_no_amount_is_refused_with_a_sentence(typed, text):
    with pytest.raises(InputError) as refused:
        parse_number(typed, "--ml")
    assert refused.value.text == text


# ---- refusals --------------------------------------------------------------------------------------------

REFUSALS = [
    (["lot", "shw"], "usage", "There is no command 'shw'. Near it: show. See: colourmatch lot --help"),
    (["lots"], "usage", "There is no command 'lots'. Near it: lot. See: colourmatch --help"),
    (["book"], "usage", "A command is missing. There are: check, backup, restore. See:"),
    (["lot", "add", "1", "--drps", "3"], "usage", "--drops"),
    (["lot", "add"], "usage", "Missing argument 'LOT'. See: colourmatch lot add --help"),
    (["lot", "new", "--name", "x"], "usage", "Missing option '--volume-ml'. See: colourmatch lot new --help"),
    (["card", "--paper", "a5"], "usage", "'a5' is not one of 'a4', 'letter'"),
    (["stock", "list", "--bok", "x"], "usage", "--book"),
    (["lot", "show", "7"], "not-found", "There is no lot '7'."),
    (["lot", "add", "1", "--stock", "reed", "--drops", "1"], "not-found", "Near it: red."),
    (["lot", "add", "1", "--stock", "red"], "value", "Give the amount once: as drops, as ml or as grams."),
    (["lot", "add", "1", "--drops", "1"], "value", "Say what went in: --stock NAME with --drops"),
    (["lot", "add", "1", "--stock", "red", "--drops", "1", "--ml", "1"], "value", "Give the amount once"),
    (["lot", "add", "1", "--stock", "red", "--drops", "nan"], "value", "--drops is nan."),
    (["lot", "add", "1", "--stock", "red", "--drops", "-4"], "value", "--drops is -4."),
    (["lot", "add", "1", "--stock", "red", "--drops", "0"], "value", "must be more than 0"),
    (["lot", "add", "1", "--stock", "red", "--untinted-ml", "5"], "value", "Write down one thing at a time"),
    ([*LOT, "--volume-ml", "0"], "value", "The volume must be more than 0"),
    ([*LOT, "--jurisdiction", "MARS"], "value", "EU"),
    (["lot", "correct", "1", "99", "--drops", "1", "--reason", "x"], "value", "Lot 1 has no entry 99."),
    (["lot", "correct", "1", "--reason", "x"], "value", "Say what to correct"),
    (["lot", "correct", "1", "2", "--volume-ml", "1", "--reason", "x"], "value", "An entry is corrected"),
    (["stock", "add", "b", "--colourant", "E129", "--strength-g-per-100ml", "500"], "value", "at most 100"),
    ([*STRENGTH_1, "--colourant", "E999"], "unknown-colourant", "E999"),
    ([*STRENGTH_1, "--colourant", "custom"], "value", "--peak-nm"),
    ([*STRENGTH_1, "--colourant", "E129", "--like", "E110"], "value", "custom"),
    (["stock", "weigh", "red", "--drops", "40.5", "--grams", "2"], "value", "Count whole drops."),
    (["stock", "dilute", "red"], "value", "Give --fold to dilute"),
    (["measure", "x.jpg", "--batch", "1,1,9,9"], "value", "needs --white"),
    (["measure", "x.jpg", "--white", "1,1,0,9", "--batch", "1,1,9,9"], "value", "encloses nothing"),
    (["measure", "x.jpg", "--white", "1;2", "--batch", "1,1,9,9"], "value", "Give X,Y,W,H"),
    (["lot", "export", "--out", "/no/such/folder/lots.csv"], "book", "cannot be written"),
    (["lot", "export", "--out", "-"], "value", "--json and --out - both want"),
    (["book", "restore", "/no/such.zip", "--book", "/no/such/new.sqlite"], "book", "cannot be read"),
]  # fmt: skip


@pytest.mark.parametrize(("arguments", "code", "part"), REFUSALS, ids=[" ".join(row[0]) for row in REFUSALS])
def test_a_refusal_is_one_line_and_one_object(lot, arguments, code, part):
    said = lot(*arguments, "--json")
    assert said.code == 2
    assert said.data["error"]["code"] == code
    assert part in said.data["error"]["text"]
    assert said.err == said.data["error"]["text"] + "\n"


def test_a_refusal_without_json_leaves_stdout_empty(cli):
    said = cli("lot", "show", "7")
    assert (said.code, said.out) == (2, "")
    assert said.err.count("\n") == 1


def test_a_fault_of_the_program_is_one_line_and_its_trace_on_demand(cli, monkeypatch):
    def fail(*_args: object, **_settings: object) -> None:
        raise RuntimeError("first line\nsecond line")

    monkeypatch.setattr("colourmatch.lots.book.open_book", fail)
    said = cli("lot", "list", "--json")
    assert said.code == 1 and said.data["error"]["code"] == "fault"
    assert said.err.count("\n") == 1 and "COLOURMATCH_DEBUG=1" in said.err and "first line second" in said.err
    monkeypatch.setenv("COLOURMATCH_DEBUG", "1")
    assert "Traceback" in cli("lot", "list").err


def test_a_file_name_that_is_no_text_is_no_fault(tmp_path):
    call = [sys.executable, "-m", "colourmatch", "measure", os.fsencode(tmp_path) + b"/\xff.jpg", "--json"]
    surroundings = os.environ | {"PYTHONIOENCODING": "ascii"}
    done = subprocess.run(call, capture_output=True, text=True, cwd=ROOT, env=surroundings, timeout=60)
    assert done.returncode == 2
    assert json.loads(done.stdout)["error"].startswith("There is no file")


def test_a_reader_that_leaves_early_is_no_fault():
    code = "import os, sys; from colourmatch.cli import run; sys.exit(run(['stock', 'list']))"
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-c", code], stdout=writing, stderr=subprocess.PIPE, text=True, cwd=ROOT, timeout=60
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (0, "")


# ---- card and measure ------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_card(cli, tmp_path, paper):
    out = tmp_path / "card.pdf"
    said = cli("card", "--paper", paper, "--out", out, "--json")
    assert said.code == 0 and said.data["out"] == str(out) and said.data["version"] == 1
    assert out.read_bytes().startswith(b"%PDF")


def test_measure_one_photo_in_words_and_as_an_object(cli, drawn_photos):
    measured = cli("measure", drawn_photos[0], "--json")
    assert measured.code == 0
    figure = measured.data["delta_e_2000"]
    assert figure["low"] <= figure["value"] <= figure["high"]
    assert set(measured.data["spots"]) == {"reference", "batch", "blank"}
    told = cli("measure", drawn_photos[0])
    assert f"CIEDE2000 {figure['value']:.1f} ({figure['low']:.1f} to {figure['high']:.1f})" in told.out


def test_one_refused_photo_is_its_own_object(cli, sample_photos):
    said = cli("measure", sample_photos / "bad-text.jpg", "--json")
    assert said.code == 2
    assert said.data["quality"][0]["severity"] == "refuse"
    assert said.err == said.data["error"] + "\n"


def test_one_bad_file_stops_nothing(cli, drawn_photos, sample_photos, tmp_path):
    said = cli("measure", tmp_path / "none.jpg", drawn_photos[0], sample_photos / "bad-empty.jpg", "--json")
    assert said.code == 0
    errors = [photo["error"] for photo in said.data["photos"]]
    assert errors[1] is None and errors[0] and errors[2]
    assert said.err.count("Photo ") == 3


def test_exit_2_when_no_photo_could_be_measured(cli, sample_photos, tmp_path):
    said = cli("measure", sample_photos / "bad-empty.jpg", tmp_path, "--json")
    assert said.code == 2 and len(said.data["photos"]) == 2
    assert said.err.splitlines()[-1].startswith("None of the photos could be measured.")


def test_a_photo_without_the_card_is_measured_by_rectangles(cli, drawn_photos):
    pytest.importorskip("colourmatch.photo.rectangles")
    # Inside the paper between the grey steps, and inside the two glasses, of the drawn photo.
    view = draw_demo_photo(Kitchen(), 1).view
    boxes = {}
    for name, centre_mm in (("white", (85, 138)), ("reference", (45, 85)), ("batch", (125, 85))):
        x, y = (round(value) for value in view.to_pixels(centre_mm))
        boxes[f"--{name}"] = f"{x - 15},{y - 15},30,30"
    said = cli("measure", drawn_photos[0], *(part for pair in boxes.items() for part in pair), "--json")
    assert said.code == 0
    assert "no-card-mode" in {flag["code"] for flag in said.data["quality"]}
    assert said.data["card"] is None and said.data["delta_e_2000"]["value"] > 10


# ---- stocks ----------------------------------------------------------------------------------------------


def test_stock_from_label_to_weighed_diluted_reset_and_put_away(cli):
    added = cli(*RED, "--drop-ml", "0,05", "--by", "MK", "--note", "batch 7", "--json").data
    assert (added["stock"], added["colourant"], added["mg_per_drop"]) == ("red", "E129", pytest.approx(0.5))
    assert "label-warning" in {caution["code"] for caution in added["cautions"]}
    # 1.93 g of water in 40 drops are 0.04825 ml each.
    weighed = cli("stock", "weigh", "red", "--drops", "40", "--grams", "1,93", "--json").data
    assert weighed["drop_ml"] == pytest.approx(0.04825) and weighed["drop_weighed"]
    thin = cli("stock", "dilute", "red", "--fold", "10", "--name", "red thin", "--json").data
    assert thin["strength_g_per_100ml"] == pytest.approx(0.1) and thin["diluted_from"] == added["id"]
    asked = cli("stock", "dilute", "red", "--target-mg-per-l", "10", "--volume-ml", "100", "--json").data
    assert asked["fold"] > 1 and 20 <= asked["drops"] <= 60
    assert cli("stock", "reset", "red", "--json").data["strength_factor"] == 1
    assert cli("stock", "put-away", "red", "--json").data["active"] is False
    assert [stock["stock"] for stock in cli("stock", "list", "--json").data["stocks"]] == ["red thin"]
    assert len(cli("stock", "list", "--all", "--json").data["stocks"]) == 2
    assert "red thin" in cli("stock", "list").out


def test_what_was_learnt_goes_with_a_dilution(cli, tmp_path):
    from colourmatch.lots.book import open_book

    cli(*RED)
    with open_book(tmp_path / "book.sqlite") as book:
        book.record_learnt("red", 0.9, 0.05)
    thin = cli("stock", "dilute", "red", "--fold", "5", "--json").data
    assert thin["label_strength_g_per_100ml"] == pytest.approx(0.2)
    assert thin["strength_g_per_100ml"] == pytest.approx(0.18)


@pytest.mark.parametrize("start", [["--peak-nm", "505", "--e1pct", "200"], ["--like", "E129"]])
def test_an_unknown_bottle(cli, start):
    call = [
        "stock",
        "add",
        "market red",
        "--colourant",
        "custom",
        "--strength-g-per-100ml",
        "1",
        *start,
        "--json",
    ]
    said = cli(*call)
    assert said.code == 0 and said.data["colourant"].startswith("custom:")
    assert "strength-unknown" in {caution["code"] for caution in said.data["cautions"]}


# ---- lots ------------------------------------------------------------------------------------------------


def test_new_lot_gives_its_id_and_what_was_typed(lot):
    given = ["--ceiling-mg-per-l", "60,5", "--number", "N-1", "--depth-mm", "12", "--tolerance", "2"]
    made = lot(
        *LOT[:-2],
        *given,
        "--already-mg-per-l",
        "1",
        "--jurisdiction",
        "EU",
        "--note",
        "first",
        "--by",
        "MK",
        "--json",
    )
    assert made.data["lot"] == 2
    wanted = {
        "number": "N-1",
        "depth_mm": 12,
        "tolerance": 2,
        "ceiling_mg_per_l": 60.5,
        "already_mg_per_l": 1,
    }
    assert wanted.items() <= made.data.items()
    assert made.data["cautions"][-1]["code"] == "law-decides"
    listed = lot("lot", "list", "--search", "n-1", "--json").data
    assert (listed["total"], listed["lots"][0]["lot"]) == (1, 2)


def test_an_addition_gives_the_state_and_what_is_left(lot):
    said = lot("lot", "add", "1", "--stock", "red", "--drops", "20", "--note", "slowly", "--json").data
    # 20 drops of 0.05 ml at 10 mg/ml are 10 mg in 901 ml.
    assert said["mg"] == pytest.approx(10) and said["state"]["volume_ml"] == pytest.approx(901)
    assert said["state"]["total_mg_per_l"] == pytest.approx(11.099, abs=5e-4)
    assert said["ceiling_left_mg_per_l"] == pytest.approx(48.901, abs=5e-4)
    assert said["warning"] is None
    assert "48.9 mg/l are left" in lot("lot", "sample", "1", "--ml", "20").out


def test_past_the_ceiling_is_recorded_and_said(lot):
    said = lot("lot", "add", "1", "--stock", "red", "--ml", "6", "--json")
    assert said.code == 0 and said.data["ceiling_left_mg_per_l"] == 0
    assert said.data["warning"].startswith("The ceiling is passed: your ceiling: 66.2 mg/l")
    assert "Warning: The ceiling is passed" in said.err


def test_a_repeated_call_with_its_token_enters_nothing_twice(lot):
    call = ["lot", "add", "1", "--stock", "red", "--drops", "5", "--token", "abc", "--json"]
    assert lot(*call).data["entry"] == lot(*call).data["entry"]


def test_corrections_keep_the_old_entry(lot):
    first = lot("lot", "add", "1", "--stock", "red", "--drops", "21", "--json").data["entry"]
    sample = lot("lot", "sample", "1", "--ml", "10", "--json").data["entry"]
    second = lot("lot", "correct", "1", first, "--drops", "20", "--reason", "counted again", "--json").data
    assert second["replaces"] == first and second["quantity"] == 20
    assert lot("lot", "correct", "1", sample, "--ml", "12", "--reason", "weighed", "--json").data["ml"] == 12
    amended = lot("lot", "correct", "1", "--volume-ml", "950", "--reason", "read wrongly", "--json").data
    assert amended["state"]["volume_ml"] == pytest.approx(939, abs=0.1)
    void = lot("lot", "correct", "1", second["entry"], "--void", "--reason", "other lot", "--json").data
    assert void["void"] and void["state"]["mg_per_l"] == {}
    untinted = lot("lot", "add", "1", "--untinted-ml", "100", "--json").data
    assert untinted["kind"] == "untinted" and untinted["state"]["volume_ml"] == pytest.approx(1038, abs=0.1)


def test_a_lot_from_photo_to_close(lot, drawn_photos, sample_photos, tmp_path):
    first = lot("lot", "photo", "1", drawn_photos[0], "--by", "MK", "--json").data
    assert first["lot"] == 1 and first["entry"] and first["advice"]["action"] == "add"
    dose = first["advice"]["doses"][0]
    assert dose["stock"] == "red" and dose["drops"] > 20
    lot("lot", "add", "1", "--stock", "red", "--drops", "64")
    both = lot("lot", "photo", "1", drawn_photos[1], sample_photos / "bad-text.jpg", "--json")
    assert both.code == 0 and len(both.data["photos"]) == 2
    assert both.data["photos"][1]["entry"] is None and both.data["advice"]["action"] in ("add", "stop")
    assert lot("lot", "photo", "1", drawn_photos[0], "--json").data["entry"] == first["entry"]
    refused = lot("lot", "photo", "1", sample_photos / "bad-empty.jpg", "--json")
    assert refused.code == 2 and refused.data["error"] in refused.err
    shown = lot("lot", "show", "1", "--json").data
    assert [event["kind"] for event in shown["events"]] == ["photo", "addition", "photo"]
    told = lot("lot", "show", "1").out
    assert "64 drops of red" in told and "-> " in told and "Colour: Allura red AC (E129)" in told
    closed = lot("lot", "close", "1", "--reason", "nearest", "--note", "good enough", "--json").data
    assert (closed["lot"], closed["outcome"]) == (1, "nearest")
    late = lot("lot", "add", "1", "--stock", "red", "--drops", "1", "--json")
    assert late.code == 2 and late.data["error"]["code"] == "closed"
    assert lot("lot", "list", "--open", "--json").data["lots"] == []
    out = tmp_path / "lots.csv"
    assert lot("lot", "export", "--out", out, "--json").data == {"out": str(out), "rows": 1}
    assert next(csv.DictReader(out.open(encoding="utf-8")))["outcome"] == "nearest"
    assert lot("lot", "export", "--out", out, "--rows", "entries", "--json").data["rows"] == 4


def test_export_to_stdout_and_as_json(lot, tmp_path):
    assert lot("lot", "export", "--out", "-").out.splitlines()[1].startswith("1,")
    lot("lot", "export", "--out", tmp_path / "book.json")
    assert json.loads((tmp_path / "book.json").read_text(encoding="utf-8"))


# ---- book ------------------------------------------------------------------------------------------------


def test_backup_check_and_restore(lot, drawn_photos, tmp_path):
    photo = lot("lot", "photo", "1", drawn_photos[0], "--json").data
    archive, restored = tmp_path / "backup.zip", tmp_path / "restored.sqlite"
    assert lot("book", "backup", "--out", archive, "--json").data["photos"] == 1
    assert lot("book", "restore", archive, "--book", restored, "--json").data == {
        "book": str(restored),
        "lots": 1,
    }
    again = lot("lot", "show", "1", "--book", restored, "--json").data
    assert again["photos"][0]["entry"] == photo["entry"]
    taken = lot("book", "restore", archive, "--book", restored)
    assert taken.code == 2 and "is there already" in taken.err
    assert lot("book", "check", "--json").data["ok"] is True
    next((tmp_path / "book.sqlite.photos").rglob("*.jpg")).unlink()
    found = lot("book", "check", "--json")
    assert found.code == 2 and found.data["findings"] and found.data["error"]["text"] in found.err


def test_the_book_may_be_named_before_and_after_the_command(cli, tmp_path):
    one, two = tmp_path / "one.sqlite", tmp_path / "two.sqlite"
    cli("--book", one, *RED)
    assert len(cli("stock", "list", "--book", one, "--json").data["stocks"]) == 1
    assert cli("--book", one, "stock", "list", "--book", two, "--json").data["stocks"] == []
    assert cli("--json", "stock", "list").data["stocks"] == []


def test_a_book_that_is_none_is_refused_and_left(cli, tmp_path):
    note = tmp_path / "note.txt"
    note.write_text("shopping list, and more than sixteen bytes")
    said = cli("stock", "list", "--book", note, "--json")
    assert said.code == 2 and said.data["error"]["code"] == "book"
    assert note.read_text().startswith("shopping")


# ---- app -------------------------------------------------------------------------------------------------


def test_app_starts_on_this_machine_only(cli, tmp_path, monkeypatch):
    started: list[Any] = []

    def start(command: list[str], surroundings: dict[str, str]) -> None:
        started.append((command, surroundings))
        raise SystemExit(0)

    monkeypatch.setattr(running, "_hand_over", start)
    said = cli("app", "--book", tmp_path / "other.sqlite", "--json")
    command, surroundings = started[0]
    assert said.data["url"] == f"http://127.0.0.1:{said.data['port']}"
    assert {
        "--server.address=127.0.0.1",
        "--browser.gatherUsageStats=false",
        "--server.headless=true",
    } <= set(command)
    assert surroundings["COLOURMATCH_BOOK"] == str(tmp_path / "other.sqlite")
    assert said.data["url"] in said.err


def test_app_names_a_port_that_is_taken(cli):
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        said = cli("app", "--port", port, "--json")
    assert said.code == 2 and f"Port {port} is in use." in said.data["error"]["text"]
