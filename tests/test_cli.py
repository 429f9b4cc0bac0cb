"""The command line as programs drive it: JSON, exit codes, one line for every refusal, a light start."""

from __future__ import annotations

import csv
import json
import os
import re
import shlex
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from pypdf import PdfReader

from colourmatch.amounts import parse_number
from colourmatch.cli import HELP, run
from colourmatch.commands import running
from colourmatch.commands.framework import print_json
from colourmatch.commands.lines import advice_lines
from colourmatch.commands.options import Lab, Serving
from colourmatch.commands.root import every_command, root
from colourmatch.errors import InputError
from colourmatch.simulate.kitchen import Kitchen, draw_demo_photo

ROOT = Path(__file__).parents[1]
pytestmark = pytest.mark.usefixtures("remembered")
STRENGTH_1 = ["stock", "add", "b", "--strength-g-per-100ml", "1"]
RED = ["stock", "add", "red", "--colourant", "E129", "--strength-g-per-100ml", "1.0"]
LOT = ["lot", "new", "--name", "Bitter", "--volume-ml", "900", "--stock", "red", "--ceiling-mg-per-l", "60"]


def unfold(text: str) -> str:
    """What was printed in lines of 80 columns, as one line."""
    return " ".join(text.split())


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
    """Calls the command line in this process on a fresh book; the first argument may hold several words."""
    monkeypatch.setenv("COLOURMATCH_BOOK", str(tmp_path / "book.sqlite"))
    monkeypatch.delenv("COLOURMATCH_DEBUG", raising=False)

    def call(command: str, *rest: object) -> Said:
        capsys.readouterr()
        code = run([*shlex.split(command), *map(str, rest)])
        out, err = capsys.readouterr()
        return Said(code, out, err)

    return call


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A book with one stock and one lot, id 1."""
    path = tmp_path_factory.mktemp("begun") / "book.sqlite"
    for call in (RED, [*LOT, "--dilution", "5"]):
        assert run([*call, "--book", str(path)]) == 0
    return path.read_bytes()


@pytest.fixture
def lot(cli: Callable[..., Said], begun: bytes, tmp_path: Path) -> Callable[..., Said]:
    """Calls the command line on a copy of that book."""
    (tmp_path / "book.sqlite").write_bytes(begun)
    return cli


COMMANDS = dict(every_command())


# ---- help, start, documentation --------------------------------------------------------------------------


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
    heavy = {
        "numpy", "cv2", "sqlalchemy", "scipy", "skimage", "colour", "streamlit", "click", "rich", "PIL", "pandas",
    }  # fmt: skip
    assert not heavy & {name.split(".")[0] for name in modules}


@pytest.mark.parametrize(
    ("command", "heavy"),
    [(["list"], {"numpy", "cv2", "PIL"}), (["show", "1"], {"cv2", "PIL"}), (["trend"], {"cv2", "PIL"})],
)
def test_what_only_tells_of_lots_loads_nothing_that_reads_photos(cli, command, heavy):
    cli(*RED)
    cli(*LOT)
    cli("lot", "close", "1", "--reason", "matched", "--sure")
    code = (
        "import sys; from colourmatch.cli import run; run(sys.argv[1:]); print(*sys.modules, file=sys.stderr)"
    )
    call = [sys.executable, "-c", code, "lot", *command, "--json"]
    done = subprocess.run(call, capture_output=True, text=True, cwd=ROOT, timeout=60)
    modules = {name.split(".")[0] for name in done.stderr.splitlines()[-1].split()}
    assert json.loads(done.stdout) and "sqlalchemy" in modules and not heavy & modules


def test_what_needs_no_spectra_imports_no_scipy(cli, drawn_photos):
    cli(*RED)
    cli(*LOT, "--serving", "light=A")
    code = (
        "import sys; from colourmatch.cli import run; code = run(sys.argv[1:]); "
        "print('modules', code, *sys.modules, file=sys.stderr)"
    )
    for arguments in (
        ["stock", "list"], ["lot", "add", "1", "--stock", "red", "--drops", "3"], ["measure", str(drawn_photos[0])],
    ):  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments], capture_output=True, text=True, cwd=ROOT
        )
        exit_code, *modules = done.stderr.rpartition("modules ")[2].split()
        assert exit_code == "0", done.stderr
        assert not {"scipy", "skimage", "colour", "pandas"} & {name.split(".")[0] for name in modules}


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


def test_a_group_names_its_commands_in_whole_sentences(cli):
    for group in ("lot", "stock", "reference", "phone", "card-profile", "book"):
        assert "..." not in cli(group, "--help").out


def test_only_a_new_lot_takes_defaults(cli):
    assert "[default: 10]" in cli("lot", "new", "--help").out
    assert "[default" not in cli("lot", "correct", "--help").out


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


@pytest.mark.parametrize(
    "volume", [["--volume-ml", "2 l"], ["--volume", "2 l"], ["--volume", "2000"], ["--volume-ml", "2000"]]
)
def test_a_volume_is_given_with_or_without_its_unit(lot, volume):
    made = lot("lot", "new", "--name", "x", *volume, "--stock", "red", "--json").data
    assert made["volume_ml"] == 2000 and made["label"] == f"L{made['lot']}"
    put = lot("lot", "correct", made["lot"], "--volume", "2,5 l", "--reason", "measured again", "--json").data
    assert put["changes"] == {"volume_ml": 2500}


def test_two_volumes_that_differ_are_refused_and_one_is_needed(lot):
    named = ["lot", "new", "--name", "x", "--stock", "red", "--json"]
    assert lot(*named, "--volume", "2 l", "--volume-ml", "900").data["error"]["code"] == "value"
    assert lot(*named, "--volume", "2 l", "--volume-ml", "2000").data["volume_ml"] == 2000
    assert lot(*named).data["error"] == {
        "code": "usage", "text": "Missing option '--volume-ml'. See: colourmatch lot new --help"
    }  # fmt: skip


@pytest.mark.parametrize(
    "arguments",
    [
        ["lot", "new", "--name", "x", "--stock", "red", "--volume-ml", "2"],
        ["lot", "new", "--name", "x", "--stock", "red", "--volume-ml", "1.500"],
        ["lot", "new", "--name", "x", "--stock", "red", "--volume", "1,500"],
        ["lot", "correct", "1", "--volume-ml", "2", "--reason", "x"],
        ["stock", "weigh", "red", "--drops", "40", "--grams", "19.3"],
        ["stock", "add", "gold", "--colourant", "E102", "--strength-g-per-100ml", "1", "--drop-ml", "0.48"],
    ],
)
def test_an_absurd_size_is_asked_about_until_it_is_sure(lot, arguments):
    asked = lot(*arguments, "--json")
    assert (asked.code, asked.data["error"]["code"]) == (2, "question")
    assert len(lot("lot", "list", "--json").data["lots"]) == 1
    assert not lot("stock", "list", "--json").data["stocks"][0]["drop_weighed"]
    assert lot(*arguments, "--sure", "--json").code == 0


def test_amounts_that_go_in_or_out_take_units(lot):
    added = lot("lot", "add", "1", "--stock", "red", "--ml", "0.1 cl", "--json").data
    assert (added["ml"], added["unit"]) == (1, "ml")
    assert lot("lot", "add", "1", "--stock", "red", "--grams", "500 mg", "--json").data["quantity"] == 0.5
    assert lot("lot", "sample", "1", "--ml", "1 cl", "--json").data["ml"] == 10
    assert lot("lot", "add", "1", "--untinted-ml", "0,1 l", "--json").data["ml"] == 100


# ---- refusals --------------------------------------------------------------------------------------------

REFUSALS = [
    (["lot", "shw"], "usage", "There is no command 'shw'. Near it: show, sheet. See: colourmatch lot --help"),
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
    (["lot", "add", "1", "--stock", "red", "--drops", "0"], "value", "must be from 0.1 up to 100,000, not 0"),
    (["lot", "add", "1", "--stock", "red", "--untinted-ml", "5"], "value", "Write down one thing at a time"),
    ([*LOT, "--volume-ml", "0"], "value", "The volume must be from 1 up to 2,000,000, not 0"),
    ([*LOT, "--volume-ml", "1e-300"], "value", "The volume must be from 1 up to 2,000,000, not 1e-300"),
    (["lot", "close", "1", "--reason", "matchd"], "value", "The reason 'matchd' is nearly 'matched'."),
    ([*STRENGTH_1[:-1], "1e-300", "--colourant", "E129"], "value", "Strength must be at least 0.000001 g"),
    ([*LOT, "--jurisdiction", "MARS"], "value", 'There are no limits on file for "MARS". Choose EU or US'),
    (["lot", "correct", "1", "--jurisdiction", "MARS", "--reason", "x"], "value", "Choose EU or US"),
    ([*LOT, "--target-lab", "60,45"], "value", "--target-lab is '60,45', which is not three numbers."),
    ([*LOT, "--target-lab", "160,45,3"], "value", "out of range"),
    ([*LOT, "--reference", "bottle"], "not-found", "There is no reference 'bottle'."),
    ([*LOT, "--serving", "depth=60"], "value", "--serving cannot be read at 'depth=60'. Give name, depth-mm"),
    ([*LOT, "--serving", "depth-mm=60,depth-mm=50"], "value", "--serving cannot be read at 'depth-mm=50'"),
    ([*LOT, "--serving", "light=moon"], "value", "The light 'moon' is not known. Give one of the CIE's"),
    ([*LOT, "--serving", "light=900 K"], "value", "The light '900 K' is not known."),
    ([*LOT, "--serving", "weight=0"], "value", "The weight of a serving must be from 0.001"),
    ([*LOT, "--token", "x" * 151], "value", "--token has 151 characters."),
    (["lot", "label", "1", "--copies", "3"], "value", "Give --out with a PDF to write."),
    (["lot", "sheet", "1", "--out", "/no/such/lot.pdf"], "value", "/no/such"),
    (["lot", "sheet", "9", "--out", "x.pdf"], "not-found", "There is no lot '9'."),
    (["lot", "trend", "--stock", "reed"], "not-found", "Near it: red."),
    (["lot", "trend", "--reference", "x"], "not-found", "There is no reference 'x'."),
    (["lot", "recheck", "1", "x.jpg"], "value", "is still open"),
    (["lot", "import", "lots.csv"], "value", "holds too little to be read back"),
    (["lot", "import", "none.json"], "value", "There is no file none.json."),
    (["reference", "add", "Bottle"], "value", "Say it in one way: PHOTO..., --lab"),
    (["reference", "add", "Bottle", "x.jpg", "--lab", "1,2,3"], "value", "Say it in one way"),
    (["reference", "add", "Bottle", "x.jpg", "--lab-sd", "1,2,3"], "value", "--lab-sd goes with --lab."),
    (["reference", "add", "Bottle", "--lab", "none"], "value", "needs a colour"),
    (["reference", "add", "Bottle", "--from-lot", "1"], "value", "its colour is not known"),
    (["reference", "add", "B", "--from-lot", "1", "--dilution", "2"], "value", "Leave them out"),
    (["reference", "add", "Bottle", "none.jpg"], "photo", "There is no file"),
    (["reference", "show", "Bottle"], "not-found", "There is no reference 'Bottle'."),
    (["reference", "choose", "Bottle", "--lot", "1"], "not-found", "There is no reference 'Bottle'."),
    (["lot", "correct", "1", "99", "--drops", "1", "--reason", "x"], "value", "Lot 1 has no entry 99."),
    (["lot", "correct", "1", "--reason", "x"], "value", "Say what to correct"),
    (["lot", "correct", "1", "2", "--volume-ml", "850", "--reason", "x"], "value", "An entry is corrected"),
    (["stock", "add", "b", "--colourant", "E129", "--strength-g-per-100ml", "500"], "value", "at most 100"),
    (
        ["stock", "make", "--strength-g-per-100ml", "1", "--volume-ml", "50", "--dye-content", "85"],
        "value",
        "For 85 % write 0.85.",
    ),
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
    (["lot", "export", "--out", "lots.xlsx"], "value", "Name it .csv, which spreadsheets open"),
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

    monkeypatch.setattr("colourmatch.book.lot_book.read_book", fail)
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
    assert done.returncode == 0 and done.stderr.startswith("There is no lot book at ")
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the device is Linux's")
@pytest.mark.parametrize(
    ("arguments", "output"),
    [
        ("card --out c.pdf --json", "full"), ("stock list --json", "left"), ("lot show 1 --json", "closed"),
        ("guide", "full"), ("guide", "left"), ("guide", "closed"), ("--help", "full"), ("--help", "left"),
    ],
)  # fmt: skip
def test_an_answer_that_cannot_be_written_ends_in_one_line(tmp_path, arguments, output):
    call = [sys.executable, "-m", "colourmatch", *arguments.split()]
    surroundings = os.environ | {"COLOURMATCH_BOOK": str(tmp_path / "b.sqlite"), "PYTHONPATH": str(ROOT)}
    reading, writing = os.pipe()
    os.close(reading)
    if output == "full":
        writing = os.open("/dev/full", os.O_WRONLY)
    if output == "closed":
        call = ["sh", "-c", 'exec "$@" >&-', "sh", *call]
    done = subprocess.run(
        call, stdout=writing, stderr=subprocess.PIPE, text=True, cwd=tmp_path, env=surroundings, timeout=60
    )
    os.close(writing)
    said = [line for line in done.stderr.splitlines() if "The first entry makes it" not in line]
    enough = output == "left" and "--json" not in arguments  # a person who has read enough, such as `| head`
    assert (done.returncode, len(said)) == ((0, 0) if enough else (2, 1)), done.stderr


def test_figures_are_printed_without_the_tail_of_a_binary_number(lot, capsys):
    told = {
        "a": [0.1 + 0.2, 12.000000000001, 900],
        "b": {"c": 1e-7 / 3, "d": True, "e": float("nan"), "f": 5.0},
    }
    print_json(told)
    assert json.loads(capsys.readouterr().out) == {
        "a": [0.3, 12.0, 900], "b": {"c": 3.333333333e-08, "d": True, "e": None, "f": 5.0}
    }  # fmt: skip
    for _ in range(3):
        said = lot("lot", "add", "1", "--stock", "red", "--ml", "0.1", "--json").out
        said += lot("lot", "show", "1", "--json").out
        assert not re.search(r"\d\.\d{11,}", said)


# ---- card and measure ------------------------------------------------------------------------------------


def test_a_card_is_written_on_the_paper_that_is_named(cli, tmp_path):
    assert cli("card", "--paper", "letter", "--out", tmp_path / "card.pdf", "--json").data["version"] == 1
    assert [float(v) for v in PdfReader(tmp_path / "card.pdf").pages[0].mediabox[2:]] == [792, 612]


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


def test_a_photo_of_a_lot_is_set_aside_and_taken_back(lot, drawn_photos):
    entry = str(lot("lot", "photo", "1", drawn_photos[0], "--json").data["entry"])
    said = lot("lot", "set-aside", "1", entry, "--why", "a lamp shone in", "--json")
    assert said.code == 0 and said.data["set_aside"] and said.data["why"] == "a lamp shone in"
    assert said.data["advice"]["action"] == "rephotograph"
    assert "(set aside: a lamp shone in)" in lot("lot", "show", "1").out
    back = lot("lot", "set-aside", "1", drawn_photos[0].name, "--why", "it was all right", "--take-back")
    assert back.code == 0 and f"The photo of entry {entry} counts again" in back.out
    again = lot("lot", "set-aside", "1", entry, "--why", "x", "--take-back")
    assert again.code == 2 and "counts as it is" in again.err


def test_what_went_wrong_is_answered_by_the_command_that_is_printed(cli, sample_photos):
    for name, number in (("red", "E129"), ("blue", "E133")):
        cli("stock", "add", name, "--colourant", number, "--strength-g-per-100ml", "1")
    cli("lot", "new", "--name", "Mixed", "--volume-ml", "900", "--stock", "blue", "--dilution", "5")
    cli("lot", "photo", "1", sample_photos / "ladder1-0.jpg")
    cli("lot", "add", "1", "--stock", "blue", "--drops", "30")
    said = cli("lot", "photo", "1", sample_photos / "ladder1-2.jpg")
    assert "colourmatch lot answer LOT --yes" in said.out and "lot answer LOT --no" in said.out
    assert cli("lot", "answer", "1").code == 2
    assert cli("lot", "answer", "1", "--yes", "--cause", "not-stirred").code == 2
    done = cli("lot", "answer", "1", "--yes", "--token", "t", "--json")
    assert (done.code, done.data["kind"], done.data["advice"]["question"]) == (0, "addition", None)
    assert cli("lot", "answer", "1", "--yes", "--token", "t", "--json").data["entry"] == done.data["entry"]
    assert cli("lot", "answer", "1", "--no").code == 2


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
    outside = cli("measure", drawn_photos[0], "--white", "9000,1,9,9", "--batch", "1,1,9,9", "--json")
    assert outside.code == 2 and "lies outside the photo" in outside.data["error"]
    grey = cli("measure", drawn_photos[0], *(part for pair in boxes.items() for part in pair),
               "--white-reflectance", "0.5", "--json")  # fmt: skip
    assert grey.data["rectangles"]["white_reflectance"] == 0.5
    assert grey.data["spots"]["batch"]["lab"][0] < said.data["spots"]["batch"]["lab"][0] - 10


def test_a_lot_takes_photos_without_the_card(lot, drawn_photos, sample_photos):
    view = draw_demo_photo(Kitchen(), 1).view
    typed = []
    for name, centre_mm in (("white", (85, 138)), ("reference", (45, 85)), ("batch", (125, 85))):
        x, y = (round(value) for value in view.to_pixels(centre_mm))
        typed += [f"--{name}", f"{x - 15},{y - 15},30,30"]
    said = lot("lot", "photo", "1", drawn_photos[0], sample_photos / "bad-text.jpg", *typed, "--json")
    assert said.code == 0
    good, bad = said.data["photos"]
    assert good["entry"] and good["card"] is None and good["rectangles"]["white_reflectance"] == 1
    assert bad["entry"] is None and bad["error"]
    assert said.data["advice"]["action"] == "add" and said.data["advice"]["combined"]["photos"] == ["Photo 1"]
    half = lot("lot", "photo", "1", drawn_photos[0], "--white", "1,1,9,9")
    assert half.code == 2 and "at least one of --reference and --batch" in half.err


def test_photos_of_the_same_glasses_say_something_together(cli, drawn_photos, tmp_path):
    again = tmp_path / "again.jpg"
    again.write_bytes(drawn_photos[1].read_bytes())
    alone = cli("measure", drawn_photos[1], "--json").data
    said = cli("measure", drawn_photos[1], again, "--same", "--json")
    together = said.data["combined"]
    assert said.code == 0 and together["photos"] == [drawn_photos[1].name, "again.jpg"]
    assert len(said.data["photos"]) == 2 and together["agree"] and together["retake"] is None
    assert together["delta_e_2000"]["value"] == pytest.approx(alone["delta_e_2000"]["value"], abs=0.1)
    apart = cli("measure", *drawn_photos, "--same")
    assert "Together, 2 photos: CIEDE2000 at most " in apart.out and "The 2 photos disagree by" in apart.out
    one = cli("measure", drawn_photos[1], "--same", "--json").data
    assert len(one["photos"]) == 1 and one["combined"]["photos"] == [drawn_photos[1].name]
    none = cli("measure", tmp_path / "none.jpg", "--same", "--json")
    assert none.code == 2 and none.data["combined"] is None


# ---- stocks ----------------------------------------------------------------------------------------------


def test_stock_from_label_to_weighed_diluted_reset_and_put_away(cli):
    added = cli(*RED, "--drop-ml", "0,05", "--json").data
    assert added["mg_per_drop"] == pytest.approx(0.5)
    assert "label-warning" in {caution["code"] for caution in added["cautions"]}
    # 1.93 g of water in 40 drops are 0.04825 ml each.
    weighed = cli("stock", "weigh", "red", "--drops", "40", "--grams", "1,93", "--json").data
    assert weighed["drop_ml"] == pytest.approx(0.04825) and weighed["drop_weighed"]
    thin = cli("stock", "dilute", "red", "--fold", "10", "--name", "red thin", "--json").data
    assert thin["strength_g_per_100ml"] == pytest.approx(0.1) and thin["diluted_from"] == added["id"]
    assert cli("stock", "put-away", "red", "--json").data["active"] is False
    assert [stock["stock"] for stock in cli("stock", "list", "--json").data["stocks"]] == ["red thin"]
    assert len(cli("stock", "list", "--all", "--json").data["stocks"]) == 2
    assert "red thin" in cli("stock", "list").out


def test_what_was_learnt_goes_with_a_dilution(cli, tmp_path):
    from colourmatch.book.lot_book import open_book

    cli(*RED)
    with open_book(tmp_path / "book.sqlite") as book:
        book.stocks.learn("red", 0.9, 0.05)
    assert "learnt 0.90" in cli("stock", "list").out
    thin = cli("stock", "dilute", "red", "--fold", "5", "--json").data
    assert thin["label_strength_g_per_100ml"] == pytest.approx(0.2)
    assert thin["strength_g_per_100ml"] == pytest.approx(0.18)


@pytest.mark.parametrize("start", [["--peak-nm", "505", "--e1pct", "200"], ["--like", "E129"]])
def test_an_unknown_bottle(cli, start):
    said = cli("stock add 'market red' --colourant custom --strength-g-per-100ml 1 --json", *start)
    assert said.code == 0 and said.data["colourant"].startswith("custom:")
    assert "strength-unknown" in {caution["code"] for caution in said.data["cautions"]}
    listed = cli("stock", "list").out
    assert "unknown, like " in listed and "custom:" not in listed


# ---- lots ------------------------------------------------------------------------------------------------


def test_a_base_that_fills_the_ceiling_is_warned_of(lot):
    base = [*LOT, "--already-mg-per-l", "60", "--json"]
    assert [w["code"] for w in lot(*base).data["warnings"]] == ["ceiling-full", "base-unnamed"]
    named = lot(*base, "--already-colourant", "anthocyanins").data
    assert (named["already_colourant"], [w["code"] for w in named["warnings"]]) == ("E163", ["ceiling-full"])
    said = lot(*LOT, "--already-mg-per-l", "60").out
    assert "Warning: Your ceiling is 60 mg/l and the base already holds 60: nothing may be added." in said
    unknown = lot("lot new --name x --volume-ml 900 --stock red --already-colourant E999")
    assert unknown.code == 2 and 'There is no colourant "E999"' in unknown.err
    corrected = lot("lot", "correct", "2", "--already-colourant", "none", "--reason", "unsure", "--json")
    assert corrected.data["changes"] == {"already_colourant": None}


def test_a_trial_is_taken_scaled_and_poured_back(lot):
    taken = lot("lot", "trial", "1", "--ml", "100", "--token", "t", "--json").data
    assert (taken["lot"], taken["trial_of"], taken["batch_ml"]) == (2, 1, 800)
    assert lot("lot", "trial", "1", "--ml", "100", "--token", "t", "--json").data["lot"] == 2
    lot("lot", "add", "2", "--stock", "red", "--drops", "7")
    (trial,) = lot("lot", "trial", "1", "--json").data["trials"]
    assert (trial["lot"], trial["doses"][0]["drops"], trial["poured_back"]) == (2, 56, False)
    said = lot("lot", "trial", "1").out
    assert "7 drops of red there are 56 (47 to 65) in the 800 ml of the batch." in said
    assert unfold(said) in unfold(lot("lot", "show", "1").out)
    back = lot("lot", "trial", "2", "--pour-back", "--json").data
    assert (back["lot"], back["trial"], back["trials"][0]["poured_back"]) == (1, 2, True)
    shown = lot("lot", "show", "1", "--json").data
    assert shown["state"]["mg_per_l"]["red"] == pytest.approx(3.5 / 0.90035, abs=1e-3)
    assert lot("lot", "show", "2", "--json").data["closing"]["outcome"] == "trial"
    poured = next(event for event in shown["events"] if event["kind"] == "poured-back")
    undone = lot("lot", "correct", "1", poured["id"], "--void", "--reason", "it went down the sink", "--json")
    assert undone.data["state"]["volume_ml"] == pytest.approx(800.35)


def test_a_trial_that_cannot_be_is_refused_with_what_to_do(lot):
    assert "has no trial. Take one: colourmatch lot trial 1 --ml 100" in lot("lot", "trial", "1").out
    for arguments, words in (
        (["--ml", "3"], "Take 50 or 100 ml."),
        (["--ml", "5000"], "Check the volume."),
        (["--ml", "50", "--pour-back"], "Give one of --ml"),
        (["--pour-back"], "is no trial"),
    ):
        said = lot("lot", "trial", "1", *arguments)
        assert said.code == 2 and words in said.err


def test_another_stock_is_used_in_a_lot_as_well(lot):
    lot("stock", "add", "gold", "--colourant", "E102", "--strength-g-per-100ml", "0.5")
    used = lot("lot", "use", "1", "gold", "--json").data
    assert used["stocks"] == ["red", "gold"] and used["advice"]["action"] == "rephotograph"
    assert lot("lot", "show", "1", "--json").data["stocks"] == ["red", "gold"]
    again = lot("lot", "use", "1", "gold")
    assert again.code == 2 and "uses red, gold already. Name another stock." in again.err
    assert "Near it: gold." in lot("lot", "use", "1", "goald").err


def test_a_glass_can_be_looked_at(lot, drawn_photos):
    empty = lot("lot", "look", "1")
    assert "No photo says anything of lot 1 yet" in empty.out and empty.code == 0
    lot("lot", "photo", "1", drawn_photos[0])
    lot("lot", "add", "1", "--stock", "red", "--drops", "40")
    told = lot("lot", "look", "1", "--serving", "name=long,depth-mm=60,dilution=4,light=A", "--json").data
    (long,) = told["serving"]
    assert (long["name"], long["illuminant"]) == ("long", "A") and long["delta_e_2000"]["high"] > 0
    assert told["intake"][0]["colourants"][0]["colourant"] == "E129"
    said = lot("lot", "look", "1").out
    assert "served   with soda, warm bar light (60 mm deep, " in said
    assert "there alone nearest after" in said and "for a child of 20 kg" in said


def test_a_look_counts_the_intake_for_the_glass_that_was_asked_for(cli):
    cli(*RED)
    cli(*LOT, "--serving", "name=neat,dilution=2")
    cli("lot", "add", "1", "--stock", "red", "--drops", "40")
    own = cli("lot", "look", "1", "--json").data["intake"]
    assert [(one["serving"], one["batch_ml"]) for one in own] == [("neat", 100)]
    asked = cli("lot look 1 --serving name=long,dilution=4 --serving depth-mm=20 --json").data
    found = [(one["serving"], one["dilution"], one["batch_ml"]) for one in asked["intake"]]
    assert found == [("serving", 1, 200), ("long", 4, 50)]


def test_what_is_left_under_the_ceiling_is_said_and_a_passed_one_recorded(lot):
    lot("lot", "add", "1", "--stock", "red", "--drops", "20", "--note", "slowly")
    assert "slowly" in [one["text"] for one in lot("lot", "show", "1", "--json").data["events"]]
    assert "48.9 mg/l left" in lot("lot", "sample", "1", "--ml", "20").out
    said = lot("lot", "add", "1", "--stock", "red", "--ml", "5", "--json")
    # 10 mg in 901 ml, 881 ml of it with 50 mg more in 886 ml
    assert said.code == 0 and said.data["ceiling_left_mg_per_l"] == 0
    assert said.data["warning"].startswith("The ceiling is passed: your ceiling: 67.5 mg/l")
    assert "Warning: The ceiling is passed" in said.err


def test_an_old_photo_sent_again_does_not_ask_for_the_same_drops_again(lot, drawn_photos):
    first = lot("lot", "photo", "1", drawn_photos[0], "--json").data
    again = lot("lot", "photo", "1", drawn_photos[0], "--json")
    assert again.err == "" and again.data["advice"] == first["advice"]
    lot("lot", "add", "1", "--stock", "red", "--drops", first["advice"]["doses"][0]["drops"])
    late = lot("lot", "photo", "1", drawn_photos[0], "--json")
    assert late.data["entry"] == first["entry"] and late.data["repeated"]
    assert late.data["advice"]["text"] != first["advice"]["text"]
    assert late.data["advice"] == lot("lot", "show", "1", "--json").data["advice"]
    assert "is in the lot already, as entry 1" in late.err and "take a new photo" in late.err
    lot("lot", "close", "1", "--reason", "given up")
    closed = lot("lot", "photo", "1", drawn_photos[0])
    assert "-> Add" not in closed.out


def test_limits_that_are_not_kept_say_so(cli):
    cli(*RED)
    open_place = [part for part in LOT if part not in ("--ceiling-mg-per-l", "60")]
    told = cli(*open_place).out
    assert "the advice does not keep them" in told and "lot correct 1 --jurisdiction EU" in told
    assert "no ceiling of its own" in cli("lot", "show", "1").out
    assert "does not keep them" in unfold(cli("lot", "show", "1").out)
    assert "does not keep them" not in cli(*open_place, "--jurisdiction", "EU").out


def test_an_amount_beyond_a_ceiling_does_not_read_like_advice():
    advice = {"action": "add", "text": "Add 4 drops of red.", "ceiling_cost_delta_e_2000": 15.8}
    advice |= {"to_match": [{"stock": "red", "drops": 45, "low": 27, "high": 69}]}
    assert "to the nearest point, but a ceiling comes first" in "\n".join(advice_lines(advice))


READING = (
    ["stock", "list"], ["lot", "list"], ["lot", "trend"], ["reference", "list"], ["phone", "list"],
    ["card-profile", "list"],
)  # fmt: skip
NEEDING = (
    ["lot", "show", "1"], ["lot", "sheet", "1", "--out", "x.pdf"], ["lot", "label", "1"], ["lot", "look", "1"],
    ["lot", "trial", "1"], ["lot", "recheck", "1"], ["lot", "export", "--out", "x.csv"], ["reference", "show", "a"],
    ["card-profile", "show", "a"], ["book", "check"], ["book", "backup", "--out", "x.zip"],
)  # fmt: skip


@pytest.mark.parametrize("arguments", READING, ids=" ".join)
def test_a_command_that_only_lists_makes_no_book(cli, tmp_path, arguments):
    said = cli(*arguments, "--json", "--book", tmp_path / "new" / "b.sqlite")
    assert said.code == 0 and not any(value for value in said.data.values() if isinstance(value, list))
    assert said.err.startswith(
        f"There is no lot book at {tmp_path / 'new' / 'b.sqlite'} yet. The first entry"
    )
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("arguments", NEEDING, ids=" ".join)
def test_a_command_that_needs_a_book_says_that_there_is_none(cli, tmp_path, arguments, monkeypatch):
    monkeypatch.chdir(tmp_path)
    said = cli(*arguments, "--json", "--book", "b.sqlite")
    assert said.code == 2 and said.data["error"]["code"] == "book"
    assert said.err.startswith("There is no lot book at ") and said.err.count("\n") == 1
    assert not list(tmp_path.iterdir())


WRITING = (
    ["lot", "new", "--name", "x", "--volume-ml", "900", "--stock", "red"], ["lot", "photo", "1", "x.jpg"],
    ["lot", "add", "1", "--stock", "red", "--drops", "3"], ["lot", "sample", "1", "--ml", "10"], ["lot", "close", "1"],
    ["lot", "correct", "1", "--volume-ml", "800", "--reason", "x"], ["lot", "set-aside", "1", "1", "--why", "x"],
    ["lot", "trial", "1", "--ml", "100"], ["lot", "use", "1", "red"], ["lot", "recheck", "1", "x.jpg"],
    ["stock", "weigh", "red", "--drops", "40", "--grams", "2"], ["stock", "dilute", "red", "--fold", "10"],
    ["stock", "reset", "red"], ["stock", "put-away", "red"], ["reference", "choose", "a", "--lot", "1"],
    ["reference", "add", "a", "--from-lot", "1"], ["card-profile", "default", "a"], ["card-profile", "forget", "a"],
    ["phone", "add", "x.jpg", "--light", "a", "--batch", "red=6"], ["phone", "fit"], ["phone", "forget"],
)  # fmt: skip


@pytest.mark.parametrize("arguments", WRITING, ids=" ".join)
def test_a_command_that_goes_on_with_something_makes_no_book(cli, tmp_path, arguments):
    place = tmp_path / "new" / "b.sqlite"
    said = cli(*arguments, "--json", "--book", place)
    assert said.code == 2 and said.data["error"]["code"] == "book"
    assert said.err.startswith(f"There is no lot book at {place} yet.") and said.err.count("\n") == 1
    assert not place.parent.exists()


@pytest.mark.parametrize(
    "arguments",
    [
        RED, ["reference", "add", "a", "--lab", "60,45,30"],
        ["card-profile", "add", "a", "--greys", "0.74,0.48,0.33,0.18,0.085,0.03"],
    ],
    ids=" ".join,
)  # fmt: skip
def test_a_book_that_was_begun_is_said_once(cli, tmp_path, arguments):
    place = tmp_path / "new" / "b.sqlite"
    said = cli(*arguments, "--json", "--book", place)
    assert (said.code, said.err) == (0, f"A new lot book was begun: {place}\n")
    assert place.exists() and "begun" not in cli("stock", "list", "--book", place).err
    assert "begun" not in cli("stock", "add", "b", *RED[3:], "--book", place).err


def test_an_empty_list_names_the_book_and_what_narrowed_it(cli, tmp_path):
    assert f"No lot is in the book {tmp_path / 'book.sqlite'}." in cli("lot", "list").out
    assert cli("lot", "list", "--search", "no such").out.startswith("No lot fits. Leave --search")


def test_figures_put_right_are_told_in_words(lot):
    call = "lot correct 1 --ceiling-mg-per-l 55 --serving depth-mm=60 --target-lab 60,45,30 --reason x"
    assert "Corrected: ceiling 55 mg/l; " in lot(call).out
    shown = lot("lot", "show", "1").out
    assert "Put right: ceiling 55 mg/l; " in shown and "L* 60.0, a* 45.0, b* 30.0" in shown
    assert "lot correct 1 --jurisdiction EU" in shown
    assert "_" not in shown


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
    assert "ended at CIEDE2000" not in told
    closed = lot("lot", "close", "1", "--reason", "nearest", "--sure", "--note", "good enough", "--json").data
    assert (closed["lot"], closed["outcome"]) == (1, "nearest")
    assert "ended at CIEDE2000" in (told := lot("lot", "show", "1").out) and "-> Add" not in told
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


def test_the_book_as_json_is_read_into_an_empty_one(lot, tmp_path):
    lot("lot", "add", "1", "--stock", "red", "--drops", "5")
    out, place = tmp_path / "book.json", tmp_path / "new.sqlite"
    written = lot("lot", "export", "--out", out, "--json").data["rows"]
    read = lot("lot", "import", out, "--book", place, "--json").data
    assert read == {"book": str(place), "rows": written, "lots": 1}
    before, after = (lot("lot", "show", "1", "--json", *where).data for where in ([], ["--book", place]))
    assert before == after
    again = lot("lot", "import", out, "--book", place, "--json")
    assert again.code == 2 and "is not empty" in again.data["error"]["text"]
    (tmp_path / "cut.json").write_text(out.read_text(encoding="utf-8")[:400])
    cut = lot("lot", "import", tmp_path / "cut.json", "--book", tmp_path / "third.sqlite", "--json")
    assert cut.code == 2 and "cut off" in cut.data["error"]["text"]


# ---- targets and servings --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "lab"),
    [
        ("60,45,30", (60, 45, 30)),
        ("60.5, -4, 30", (60.5, -4, 30)),
        ("60,5; -4; 30,25", (60.5, -4, 30.25)),
        ("60,5 45 30", (60.5, 45, 30)),
        ("None", ()),
    ],
)
def test_a_colour_as_people_type_it(typed, lab):
    assert Lab().convert(typed, None, None) == lab


@pytest.mark.parametrize("typed", ["60", "60,45,30,2", "60;45", "a,b,c", "nan,1,2", "60,,30", "1e3,1,1", ""])
def test_what_is_no_colour_is_refused(typed):
    with pytest.raises(InputError, match="which is not three numbers"):
        Lab().convert(typed, None, None)


def test_a_serving_as_people_type_it():
    read = Serving().convert("Name=soda, on ice, depth-mm=60,5;light=a,weight=2", None, None)
    assert read == {"name": "soda, on ice", "depth_mm": 60.5, "illuminant": "a", "weight": 2}
    assert Serving().convert("none", None, None) == {}


def test_any_light_of_the_cie_and_any_colour_temperature_can_be_named(cli, drawn_photos):
    cli(*RED)
    served = ("depth-mm=60,light=2700k", "depth-mm=60,light=fl3.15", "depth-mm=60,light=D65")
    made = cli(
        *LOT, "--dilution", "5", *(part for one in served for part in ("--serving", one)), "--json"
    ).data
    names = [one["illuminant"] for one in made["serving"]["conditions"]]
    assert names == ["2700 K", "FL3.15", "D65"]
    looks = cli("lot", "photo", "1", drawn_photos[0], "--json").data["advice"]["serving"]
    assert [one["illuminant"] for one in looks] == names
    assert len({one["delta_e_2000"]["value"] for one in looks}) == 3
    assert "light 2700 K" in cli("lot", "show", "1").out


def test_a_lot_is_judged_as_it_is_served(lot):
    served = [
        "--serving",
        "name=long drink,depth-mm=60,dilution=20,light=a,weight=2",
        "--serving",
        "name=neat",
    ]
    made = lot(*LOT, "--dilution", "5", *served, "--json").data
    wanted = {"name": "long drink", "depth_mm": 60, "dilution": 20, "illuminant": "A", "weight": 2}
    assert made["serving"] == {"conditions": [wanted, {"name": "neat"}]}
    assert "1 part made up to 20, light A, weight 2); neat" in unfold(lot("lot", "show", "2").out)
    lot("lot", "correct", "2", "--serving", "none", "--reason", "as photographed")
    assert lot("lot", "show", "2", "--json").data["serving"] is None


def test_the_colour_of_an_entered_reference_counts_as_sure_as_it_was_read(lot, tmp_path):
    from colourmatch.book.lot_book import open_book
    from colourmatch.workflow.targets import target_covariance

    for colour, sd in (("70,30,20", "0.5,0.4,0.3"), ("72,34,22", "1.5,1.2,0.9")):
        call = ["reference", "add", "Sheet", "--lab", colour, "--lab-sd", sd, "--dilution", "5", "--by", "MK"]
        assert lot(*call).code == 0
    told = lot("reference", "show", "sheet", "--json").data
    assert [row["source"] for row in told["readings"]] == ["entered"] * 2
    # A mean of two has the root mean square of their spreads: sqrt((0.5^2 + 1.5^2) / 2) = 1.118.
    for reading, lab, sd_l in (
        ("first", [70, 30, 20], 0.5),
        ("2", [72, 34, 22], 1.5),
        ("mean", [71, 32, 21], 1.118),
    ):
        chosen = lot("reference", "choose", "Sheet", "--lot", "1", "--reading", reading, "--json").data
        assert chosen["target_lab"] == lab and chosen["target_lab_sd"][0] == pytest.approx(sd_l, abs=5e-4)
        with open_book(tmp_path / "book.sqlite") as book:
            covariance = target_covariance(book, book.lots.get(1))
        assert covariance[0, 0] ** 0.5 == pytest.approx(sd_l, abs=5e-4)
    # A reading entered later does not change what the mean of the first two was.
    lot("reference", "add", "Sheet", "--lab", "40,1,1", "--dilution", "5")
    lot("lot", "correct", "1", "--target-lab", "71,32,21", "--reason", "x")
    with open_book(tmp_path / "book.sqlite") as book:
        assert target_covariance(book, book.lots.get(1))[0, 0] ** 0.5 == pytest.approx(1.118, abs=5e-4)
    lot("lot", "correct", "1", "--target-lab", "50,30,20", "--reason", "by eye")
    with open_book(tmp_path / "book.sqlite") as book:
        assert target_covariance(book, book.lots.get(1)) == pytest.approx(4 * np.eye(3))
    assert "L* 50.0, a* 30.0, b* 20.0" in lot("lot", "show", "1").out
    lot("lot", "correct", "1", "--target-lab", "none", "--reason", "no target")
    assert lot("lot", "show", "1", "--json").data["target_lab"] is None


def test_a_reference_from_photos_and_from_an_own_lot(lot, drawn_photos, sample_photos):
    assert lot("reference", "list", "--json").data == {"references": []}
    call = ["reference", "add", "Bottle", drawn_photos[0], sample_photos / "bad-text.jpg", "--dilution", "5"]
    added = lot(*call, "--json")
    assert added.code == 0 and added.err.count("Photo ") == 2
    good, bad = added.data["photos"]
    assert good["reading"] == added.data["readings"][0]["reading"] and bad["reading"] is None and bad["note"]
    again = lot("reference", "add", "Bottle", drawn_photos[0], "--dilution", "5")
    number = good["reading"]
    assert f"{drawn_photos[0].name} was noted before, as reading {number}: it counts once." in again.out
    assert len(lot("reference", "show", "Bottle", "--json").data["readings"]) == 1
    refused = lot("reference", "add", "Other", sample_photos / "bad-text.jpg", "--json")
    assert refused.code == 2 and refused.data["error"]["text"] in refused.err
    lot("lot", "photo", "1", drawn_photos[0])
    own = lot("reference", "add", "Own", "--from-lot", "1", "--json").data
    assert own["source"] == 1 and own["readings"][0]["source"] == "lot"
    assert [one["name"] for one in lot("reference", "list", "--json").data["references"]] == ["Bottle", "Own"]
    assert "Bottle" in (listed := lot("reference", "list").out) and listed.count("+-") == 6
    chosen = lot("reference", "choose", "Bottle", "--lot", "1")
    assert chosen.out.startswith("Lot 1 is tinted to Bottle, the latest reading: L* ")
    made = lot(*LOT, "--reference", "bottle", "--json").data
    assert made["reference_id"] == added.data["reference"]


# ---- papers, and after the closing -----------------------------------------------------------------------


def test_sheet_and_label(lot, tmp_path):
    sheet, labels = tmp_path / "lot.pdf", tmp_path / "label.pdf"
    assert lot("lot", "show", "1", "--json").data["label"].startswith("Colour: Allura red AC (E129)")
    assert lot("lot", "label", "1", "--json").data["lines"][2:] == ["No colour added."]
    lot("lot", "add", "1", "--stock", "red", "--drops", "5")
    said = lot("lot", "sheet", "1", "--out", sheet, "--paper", "letter", "--json").data
    assert said == {"lot": 1, "number": "L1", "out": str(sheet), "paper": "letter"}
    told = lot("lot", "label", "1", "--out", labels, "--copies", "13", "--json").data
    assert told["text"] == "\n".join(told["lines"]) and told["lines"][2] == "Colour: Allura red AC (E129)"
    assert lot("lot", "show", "1", "--json").data["label"].splitlines() == told["lines"][2:]
    assert lot("lot", "label", "1").out == told["text"] + "\n"
    assert len(PdfReader(labels).pages) == 2 and "Lot L1" in PdfReader(sheet).pages[0].extract_text()


def test_recheck_and_trend(lot, drawn_photos, sample_photos):
    assert lot("lot", "trend", "--json").data["lots"] == []
    lot("lot", "photo", "1", drawn_photos[0])
    still = lot("lot", "recheck", "1")
    assert "finished" not in still.out and "Lot L1 is still open." in still.out
    assert lot("lot", "recheck", "1", "--json").data["drift"]["closed"] is False
    lot("lot", "close", "1", "--reason", "given up")
    assert "finished at CIEDE2000" in lot("lot", "recheck", "1").out
    nothing = lot("lot", "recheck", "1", "--json")
    assert nothing.code == 0 and nothing.data["photos"] == []
    assert nothing.data["drift"]["text"].startswith("No recheck yet.")
    seen = lot("lot", "recheck", "1", drawn_photos[1], sample_photos / "bad-empty.jpg", "--json")
    assert seen.code == 0 and seen.err.count("Photo ") == 2
    kept, refused = seen.data["photos"]
    assert kept["entry"] and refused["entry"] is None and refused["note"] == refused["error"]
    assert seen.data["drift"]["photos"][0]["delta_e_2000"]["value"] > 10
    told = lot("lot", "recheck", "1")
    assert "0.0 weeks: drift CIEDE2000" in told.out and told.out.endswith("Photograph again in a week.\n")
    bad = lot("lot", "recheck", "1", sample_photos / "bad-empty.jpg", "--json")
    assert bad.code == 2 and bad.data["error"]["text"] == bad.err.strip()
    trend = lot("lot", "trend", "--name", "bitter", "--stock", "red", "--json").data
    assert [one["lot"] for one in trend["lots"]] == [1] and trend["limits"]["L*"] is None
    assert "limits need at least 3" in lot("lot", "trend").out
    assert "Recheck photo" in lot("lot", "show", "1").out


def test_ceilings_of_the_law_count_where_the_place_is_named(cli):
    cli(*RED)
    call = ["lot", "new", "--name", "B", "--volume-ml", "900", "--stock", "red", "--dilution", "5"]
    assert cli(*call, "--json").data["jurisdiction"] is None
    assert cli(*call, "--jurisdiction", "eu", "--json").data["jurisdiction"] == "EU"
    amounts = [cli("lot", "show", lot, "--json").data["state"]["ceiling_left_mg_per_l"] for lot in (1, 2)]
    # calibration/limits.csv: 100 mg/l for the sum of these colours in flavoured drinks.
    assert amounts == [None, 100]
    assert "ceiling  100 mg/l left" in cli("lot", "show", "2").out


# ---- book ------------------------------------------------------------------------------------------------


def test_backup_check_and_restore(lot, drawn_photos, tmp_path):
    photo = lot("lot", "photo", "1", drawn_photos[0], "--json").data
    archive, restored = tmp_path / "backup.zip", tmp_path / "restored.sqlite"
    assert lot("book", "backup", "--out", archive, "--json").data["photos"] == 1
    assert lot("book", "restore", archive, "--book", restored, "--json").data == {
        "book": str(restored),
        "lots": 1,
        "left_out": [],
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


@pytest.fixture
def served(monkeypatch) -> list[tuple[list[str], Any]]:
    """What `app` would serve: the addresses it listens at, and its door."""
    started: list[tuple[list[str], Any]] = []

    def serve(script: Path, sockets: list[Any], door: Any, encryption: Any) -> None:
        assert script.is_file()
        started.append(([one.getsockname()[0] for one in sockets], door))
        for one in sockets:
            one.close()

    monkeypatch.setattr(running, "_serve", serve)
    monkeypatch.setenv("COLOURMATCH_BOOK", "set back afterwards")
    return started


def test_app_starts_on_this_machine_only(cli, tmp_path, served):
    said = cli("app", "--book", tmp_path / "other.sqlite", "--json")
    assert served == [(["127.0.0.1"], None)]
    assert said.data["url"] == f"http://127.0.0.1:{said.data['port']}" and said.data["share"] is None
    assert os.environ["COLOURMATCH_BOOK"] == str(tmp_path / "other.sqlite")
    assert said.data["url"] in said.err


def test_app_is_shared_at_one_address_behind_a_code(cli, tmp_path, served, monkeypatch):
    from colourmatch.sharing import network

    monkeypatch.setattr(network, "find_local_address", lambda wanted: wanted or "127.0.0.2")
    said = cli("app", "--share", "--book", tmp_path / "other.sqlite", "--json")
    addresses, door = served[0]
    shared = said.data["share"]
    assert addresses == ["127.0.0.1", "127.0.0.2"]
    assert shared["url"] == f"http://127.0.0.2:{said.data['port']}" and shared["code"] == door.code
    assert shared["url_with_code"] == f"{shared['url']}/#{door.code}"
    said = cli("app", "--share", "--book", tmp_path / "other.sqlite")
    door = served[1][1]
    assert f"Access code: {door.code}" in said.out and door.url in said.out and "█" in said.out
    assert "can see and change the lot book. The connection is not encrypted" in said.out
    assert door.code not in said.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--address", "192.0.2.9"], "only together with --share"),
        (["--share", "--address", "x"], "is no address"),
        (["--certificate", "a.pem", "--key", "b.pem"], "only together with --share"),
        (["--share", "--certificate", "a.pem"], "belong together"),
    ],
)
def test_app_refuses_an_address_it_cannot_open(cli, served, arguments, words):
    said = cli("app", *arguments, "--json")
    assert said.code == 2 and words in said.data["error"]["text"] and not served


def test_app_names_a_port_that_is_taken(cli):
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        said = cli("app", "--port", port, "--json")
    assert said.code == 2 and f"Port {port} is in use." in said.data["error"]["text"]


# ---- cards and phones ------------------------------------------------------------------------------------


def test_a_card_is_entered_shown_chosen_and_forgotten(cli):
    greys = "0.74,0.48,0.33,0.18,0.085,0.03"
    told = cli("card-profile", "add", "kitchen", "--greys", greys, "--sd", "0.004", "--json")
    assert told.code == 0 and len(told.data["greys"]) == 12
    assert "0.740 +-0.004" in cli("card-profile", "show", "kitchen").out
    assert cli("card-profile", "default", "kitchen", "--json").data == {"default": "kitchen"}
    assert cli("card-profile", "list", "--json").data["cards"][0]["default"] is True
    assert cli("card-profile", "forget", "kitchen").out == "The card kitchen is forgotten.\n"
    gone = cli("card-profile", "show", "kitchen")
    assert gone.code == 2 and "Make its profile with" in gone.err
    both = cli("card-profile", "add", "kitchen")
    assert both.code == 2 and "Say it in one way" in both.err


def test_known_liquids_are_typed_in_mg_or_drops(cli):
    from colourmatch.commands.calibrations import Known

    assert Known().convert("red=6,yellow=4", None, None) == {"red": (6, "mg/l"), "yellow": (4, "mg/l")}
    assert Known().convert("red=6 drops", None, None) == {"red": (6, "drops")}
    assert Known().convert("red=0,3ml", None, None) == {"red": (0.3, "ml")}
    with pytest.raises(InputError, match="Give STOCK=MG_PER_L"):
        Known().convert("red", None, None)


def test_a_phone_without_known_liquids_says_how_to_begin(cli, tmp_path):
    assert cli("phone", "list", "--json").data == {"phones": []}
    assert cli(*RED).code == 0
    said = cli("phone", "fit")
    assert said.code == 2 and "Begin with: colourmatch phone add" in said.err
    drops = cli("phone", "add", tmp_path / "none.jpg", "--light", "window", "--batch", "red=6drops")
    assert drops.code == 2 and "give --volume-ml" in drops.err
    none = cli("phone", "add", tmp_path / "none.jpg", "--light", "window", "--batch", "red=6")
    assert none.code == 2 and "cannot be read" in none.err
    light = cli("measure", tmp_path / "none.jpg", "--card-name", "kitchen")
    assert light.code == 2 and "There is no card 'kitchen'" in light.err


def test_a_corrected_photo_says_what_it_was_read_as():
    from colourmatch.commands.lines import measurement_lines

    interval = {"value": 2.0, "low": 1.5, "high": 2.6}
    spot = {"lab": [70, 50, 30], "lab_sd": [1, 1, 1], "clarity": None, "white": "blank"}
    told = {
        "photo": "a.jpg", "error": None, "delta_e_2000": interval, "quality": [],
        "difference": {"text": "paler", "seen": True},
        "spots": {"batch": spot | {"as_read": {"lab": [68, 47, 28], "lab_sd": [3, 6, 4]}}},
        "card_profile": {"name": "kitchen"}, "calibration": {"phone": "A phone", "light": "window"},
        "as_read": {"delta_e_2000": interval | {"value": 2.4}},
    }  # fmt: skip
    text = "\n".join(measurement_lines(told))
    assert "as read    L* 68.0 +-3.0" in text
    assert "read with the card kitchen" in text
    assert "corrected for A phone in the light window; as read CIEDE2000 2.4 (1.5 to 2.6)" in text


def test_times_are_those_of_the_place(lot, monkeypatch):
    lot("lot", "add", "1", "--stock", "red", "--drops", "2")
    at = lot("lot", "show", "1", "--json").data["events"][0]["created_at"]
    try:
        for zone, hours, name in (("UTC0", 0, "UTC"), ("XYZ-5", 5, "XYZ")):
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            there = datetime.fromisoformat(at) + timedelta(hours=hours)
            assert f"{there:%Y-%m-%d %H:%M} {name}  2 drops of red" in lot("lot", "show", "1").out
    finally:
        monkeypatch.undo()
        time.tzset()


def test_dates_on_paper_are_those_of_the_place(lot, monkeypatch, tmp_path):
    begun = datetime.fromisoformat(lot("lot", "show", "1", "--json").data["created_at"])
    try:
        for hours in (-12, 0, 12):  # one of them is on another day than UTC
            name = "UTC" if not hours else f"XYZ (UTC{hours:+03d}:00)"
            monkeypatch.setenv("TZ", f"XYZ{-hours}" if hours else "UTC0")
            time.tzset()
            there = begun + timedelta(hours=hours)
            assert f"begun {there:%Y-%m-%d}, not closed" in lot("lot", "label", "1").out
            assert f"{there:%Y-%m-%d}" in lot("lot", "list").out
            lot("lot", "sheet", "1", "--out", tmp_path / "lot.pdf")
            text = PdfReader(tmp_path / "lot.pdf").pages[0].extract_text()
            assert f"begun {there:%Y-%m-%d %H:%M}" in text and f"All times are {name}" in text
    finally:
        monkeypatch.undo()
        time.tzset()


def test_closing_against_the_advice_and_with_an_open_trial_says_so(lot):
    lot("lot", "trial", "1", "--ml", "100")
    told = lot("lot", "close", "1", "--reason", "past", "--sure")
    assert told.out.startswith("Lot 1. Closed: ") and "The advice was another: " in told.out
    left = "Lot 2, a trial taken from this one, is still open. Nothing is poured back into a closed lot: close it by itself."
    assert left in told.err and "pour the trial back" not in told.err
    shown = lot("lot", "show", "1", "--json").data
    assert shown["closing"]["against"] == f"The advice was another: {shown['advice']['text']}"
    # the maker's own ends are no contradiction
    own = lot("lot", "close", "2", "--reason", "given up", "--json").data
    assert own["against"] == "" and own["open_trials"] == []


def test_a_stock_is_made_from_powder_or_from_liquid(cli):
    asked = ["stock", "make", "--strength-g-per-100ml", "1", "--volume-ml", "50"]
    assert cli(*asked, "--dye-content", "0,85", "--json").data["powder_g"] == pytest.approx(0.5882, abs=5e-5)
    said = cli(*asked, "--bottle-g-per-100ml", "5")
    assert (said.code, said.out.startswith("Measure 10 ml of")) == (0, True)
    both = cli(*asked, "--bottle-g-per-100ml", "5", "--dye-content", "0.85")
    assert both.code == 2 and "not both" in both.err


# ---- times put right ---------------------------------------------------------------------------------------


def test_what_was_noted_late_is_put_where_it_happened(lot):
    from datetime import datetime

    for drops in ("5", "7"):
        lot("lot", "add", "1", "--stock", "red", "--drops", drops)
    events = lot("lot", "show", "1", "--json").data["events"]
    early = events[0]["created_at"]
    lot("lot", "sample", "1", "--ml", "10")
    moved = lot("lot", "correct", "1", "3", "--at", early, "--reason", "taken first", "--json")
    assert moved.code == 0
    assert (moved.data["kind"], moved.data["moved_entry"], moved.data["happened_at"]) == ("moved", 3, early)
    told = lot("lot", "show", "1", "--json").data
    assert told["state"]["mg_per_l"]["red"] == pytest.approx(
        1000 * (2.5 * 890.25 / 900.25 + 3.5) / 890.6, abs=0.002
    )
    sample = next(event for event in told["events"] if event["id"] == 3)
    assert (sample["happened_at"], sample["moved_by"]) == (early, moved.data["entry"])
    shown = f"{datetime.fromisoformat(early).astimezone():%Y-%m-%d %H:%M %Z}"
    assert f"(happened at {shown}, entry 4)" in unfold(lot("lot", "show", "1").out)


def test_a_time_alone_is_on_the_day_that_the_entry_has(lot):
    from datetime import date, datetime, timedelta

    from colourmatch.commands.options import parse_moment

    day = date(2026, 11, 25)
    assert parse_moment("14:30", day) == datetime(2026, 11, 25, 14, 30).astimezone()
    assert (
        parse_moment("2026-11-24 9:05".replace(" 9", " 09"), day) == datetime(2026, 11, 24, 9, 5).astimezone()
    )
    assert parse_moment("2026-11-25T14:30+05:00", day).utcoffset() == timedelta(hours=5)
    lot("lot", "sample", "1", "--ml", "10")
    for typed in ("2026-11-25", "half past two", "25:00", "0001-01-01 00:00"):
        said = lot("lot", "correct", "1", "1", "--at", typed, "--reason", "x")
        assert said.code == 2, typed
    assert lot("lot", "correct", "1", "1", "--at", "14:30", "--ml", "9", "--reason", "x").code == 2
    assert lot("lot", "correct", "1", "--at", "14:30", "--reason", "x").code == 2


def test_what_goes_on_paper_of_a_lot_is_put_right(lot):
    said = lot(
        "lot correct 1 --name Amaro --number 26-041 --notes 'of June' --reason x --json",
    )
    assert said.code == 0 and said.data["changes"] == {
        "name": "Amaro",
        "number": "26-041",
        "notes": "of June",
    }
    assert lot("lot", "show", "26-041", "--json").data["name"] == "Amaro"
    assert lot("lot", "correct", "amaro", "--number", "none", "--reason", "x").code == 0
    assert lot("lot", "show", "amaro", "--json").data["number"] == "L1"
    lot("lot", "add", "1", "--stock", "red", "--drops", "5")
    lot("stock", "add", "yellow", "--colourant", "E102", "--strength-g-per-100ml", "1")
    entry = str(lot("lot", "show", "1", "--json").data["events"][-1]["id"])
    other = lot("lot", "correct", "1", entry, "--stock", "yellow", "--reason", "the other bottle", "--json")
    assert (other.code, other.data["stock"], other.data["quantity"]) == (0, "yellow", 5)


def test_a_ceiling_with_room_under_it_is_asked_about(lot):
    left = lot("lot", "show", "1", "--json").data["state"]["ceiling_left_mg_per_l"]
    said = lot("lot", "close", "1", "--reason", "ceiling", "--json")
    assert said.code == 2 and f"The ceiling leaves {left:.3g} mg/l." in said.data["error"]["text"]
    assert lot("lot", "close", "1", "--reason", "ceiling", "--sure", "--json").code == 0
    assert f"{left:.3g} mg/l" in lot("lot", "show", "1", "--json").data["closing"]["against"]


def test_closing_against_the_advice_is_asked_about_once(lot, drawn_photos):
    advice = lot("lot", "photo", "1", str(drawn_photos[0]), "--json").data["advice"]
    assert advice["action"] == "add"
    said = lot("lot", "close", "1", "--reason", "Matched", "--json")
    assert said.code == 2 and advice["text"] in said.data["error"]["text"]
    assert not lot("lot", "show", "1", "--json").data["closed"]
    closed = lot("lot", "close", "1", "--reason", "matched", "--sure", "--token", "t", "--json")
    assert closed.code == 0 and advice["text"] in closed.data["against"]
    assert (
        lot("lot", "close", "1", "--reason", "matched", "--token", "t", "--json").data["outcome"] == "matched"
    )
    assert lot("lot", "close", "1", "--reason", "nearest", "--token", "t", "--json").code == 2


def test_own_words_close_without_being_asked_and_are_said_to_be_ones_own(lot, drawn_photos):
    assert lot("lot", "photo", "1", str(drawn_photos[0])).code == 0
    told = lot("lot", "close", "1", "--reason", "banana").out
    assert told.startswith("Lot 1. Closed, in your own words: Banana.")
    assert "in your own words" in lot("lot", "show", "1").out
    opened = lot("lot", "reopen", "1", "--reason", "after all", "--json")
    assert (opened.code, opened.data["closed"], opened.data["reason"]) == (0, False, "after all")
    assert "Opened again" in lot("lot", "show", "1").out
    assert lot("lot", "add", "1", "--stock", "red", "--drops", "1").code == 0


def test_a_label_is_put_right_and_told(lot):
    lot("lot", "add", "1", "--stock", "red", "--drops", "10")
    said = lot("stock", "correct", "red", "--strength-g-per-100ml", "2", "--reason", "misread", "--json")
    assert said.code == 0 and said.data["corrected_doses"] == [{"lot": 1, "entry": 2}]
    assert said.data["corrected"] == ["label 1 g in 100 ml, now 2 (misread)"]
    assert "misread" in lot("stock", "list").out
    assert lot("lot", "show", "1", "--json").data["state"]["mg_per_l"]["red"] == pytest.approx(
        11.105, abs=0.01
    )


def test_a_stock_is_dosed_by_what_its_bottle_says(cli):
    # an anthocyanin of colour value 150: E 1 % 15 of 300, so 5 g of dye in 100 g; 20 g of it in 100 ml are 1 g of dye
    made = cli(
        "stock add grape --colourant E163 --bottle-colour-value 150 --bottle-g 20 --json",
    )
    assert made.data["strength_g_per_100ml"] == pytest.approx(1.0)
    sold = cli(
        "stock add syrup --colourant E163 --bottle-e1pct 15 --density-g-per-ml 1.2 --json",
    )
    assert sold.data["strength_g_per_100ml"] == pytest.approx(6.0)
    codes = {caution["code"] for caution in made.data["cautions"]}
    assert {"shape-taught", "sulphites", "colourant-keeping"} <= codes
    for wrong in (["--bottle-g", "20"], ["--bottle-percent", "4", "--strength-g-per-100ml", "1"], []):
        said = cli("stock", "add", "x", "--colourant", "E163", *wrong)
        assert said.code == 2 and "--bottle-percent" in said.err
    asked = "stock make --strength-g-per-100ml 1 --volume-ml 50 --bottle-colour-value 150"
    assert cli(asked, "--colourant", "E163", "--json").data["powder_g"] == pytest.approx(10)
    assert cli(asked).code == 2


def test_a_cordial_says_how_it_is_made_up_and_may_hold_more(cli):
    cli(*RED)
    made = cli(*LOT[:-2], "--jurisdiction", "EU", "--made-up-to", "6", "--json").data
    assert made["made_up_to"] == 6
    # 550 mg/l in the bottle are 92 in the drink as made up
    cli("lot", "add", "1", "--stock", "red", "--ml", "52.7")
    told = cli("lot", "show", "1", "--json").data
    assert told["warnings"] == [] and told["intake"][0]["dilution"] == 6
    assert 40 < told["state"]["ceiling_left_mg_per_l"] < 60
    cli("lot", "correct", "1", "--made-up-to", "1", "--reason", "drunk as it is")
    told = cli("lot", "show", "1", "--json").data
    assert [one["code"] for one in told["warnings"]] == ["ceiling"] and told["made_up_to"] == 1


def test_a_lot_is_shown_in_80_columns_and_ends_with_the_answer(lot):
    lot("lot", "sample", "1", "--ml", "20", "--by", "a name of some length")
    lot("lot", "photo", "1", str(ROOT / "tests/photos/ladder1-0.jpg"))
    lines = lot("lot", "show", "1").out.splitlines()
    assert max(map(len, lines)) <= 80
    last = max(k for k, line in enumerate(lines) if line.startswith("-> "))
    assert all(line.startswith("  ") for line in lines[last + 1 :])  # nothing comes after the answer
    assert "appearance" not in unfold("\n".join(lines)) and "on appearance" in unfold(
        lot("lot", "show", "1", "--law").out
    )
    told = lot("lot", "show", "1", "--no-curve", "--json").data
    assert told["advice"]["curve"] is None and told["cautions"]
    assert lot("lot", "show", "1", "--json").data["advice"]["curve"]


def test_who_did_what_and_a_dose_of_somebody_else_is_asked_about(lot, monkeypatch):
    monkeypatch.setenv("COLOURMATCH_BY", "AB")
    lot("lot", "add", "1", "--stock", "red", "--drops", "10")
    assert lot("lot", "add", "1", "--stock", "red", "--drops", "1").code == 0  # one's own
    monkeypatch.setenv("COLOURMATCH_BY", "CD")
    asked = lot("lot", "add", "1", "--stock", "red", "--drops", "5")
    assert asked.code == 2 and "AB put 1 drop of red in" in asked.err and "--sure" in asked.err
    assert lot("lot", "add", "1", "--stock", "red", "--drops", "5", "--sure", "--token", "t").code == 0
    assert lot("lot", "add", "1", "--stock", "red", "--drops", "5", "--token", "t").code == 0  # sent again
    told = lot("lot", "log", "--since", "today", "--json").data["entries"]
    doses = [(one["by"], one["text"].split(" (")[0]) for one in told if one["kind"] == "addition"]
    assert doses == [("AB", "10 drops of red"), ("AB", "1 drop of red"), ("CD", "5 drops of red")]
    assert {"stock", "begun"} <= {one["kind"] for one in told}
    mine = lot("lot", "log", "1", "--by", "cd", "--json").data["entries"]
    assert [one["by"] for one in mine] == ["CD"]
    assert lot("lot", "log", "--since", "soon").code == 2
    assert lot("lot", "log", "--since", "2031-01-01", "--json").data["entries"] == []


def test_the_guide_knows_plain_words(cli):
    for words, title in (
        ("stain", "spilt"),
        ("spilled", "spilt"),
        ("too dark", "too dark"),
        ("recall", "calls a batch back"),
    ):
        assert title in cli("guide", "--find", words).out
