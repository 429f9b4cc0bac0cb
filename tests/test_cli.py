"""The command line as programs drive it: JSON, exit codes, one line for every refusal, a light start."""

import json
import os
import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from make_reference import every_command
from processes import ROOT, run_python
from pypdf import PdfReader

from colourmatch.amounts import parse_number
from colourmatch.cli import HELP, run
from colourmatch.commands import running
from colourmatch.commands.calibrations import read_known
from colourmatch.commands.framework import print_json, root
from colourmatch.commands.lines import advice_lines, measurement_lines
from colourmatch.commands.options import parse_moment, read_lab, read_serving
from colourmatch.errors import InputError
from colourmatch.sharing import network
from colourmatch.workflow.lot import IN_LOT

STRENGTH_1 = ["stock", "add", "b", "--strength-g-per-100ml", "1"]
RED = ["stock", "add", "red", "--colourant", "E129", "--strength-g-per-100ml", "1.0"]
MAKE = ["stock", "make", "--strength-g-per-100ml", "1", "--volume-ml", "50"]
GRAPE = ["stock", "add", "grape", "--colourant", "E163"]
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
def cli(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., Said]:
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


PIXELS, SPECTRA = {"cv2", "PIL"}, {"scipy", "skimage", "colour", "pandas"}
HEAVY = PIXELS | SPECTRA | {"numpy", "sqlalchemy", "streamlit", "click", "rich"}


def test_a_command_imports_nothing_heavy_that_it_does_not_need(lot, drawn_photos):
    lot("lot", "correct", "1", "--serving", "light=A", "--reason", "as it is drunk")
    code = (
        "import sys; from colourmatch.cli import run; codes = [run(line.split()) for line in sys.argv[1:]]; "
        "print('modules', any(codes), *sys.modules, file=sys.stderr)"
    )
    for heavy, *lines in (
        (HEAVY, "--help", "", "--version"),
        (SPECTRA, "stock list", "lot add 1 --stock red --drops 3", f"measure {drawn_photos[0]}"),
        (None, "lot close 1 --reason matched --sure"),
        (PIXELS | SPECTRA | {"numpy"}, "lot list"),
        (PIXELS, "lot show 1", "lot trend"),
    ):
        if heavy is None:
            lot(*lines)
            continue
        done = run_python("-c", code, *lines)
        failed, *modules = done.stderr.rpartition("modules ")[2].split()
        assert failed == "False" and done.stdout, done.stderr
        assert not heavy & {name.split(".")[0] for name in modules}, lines


def test_help_names_all_and_module_and_program_are_the_same(cli):
    listed = {line.split()[0] for line in HELP.splitlines() if line.startswith("  ") and line.split()}
    assert {name.split()[0] for name in COMMANDS} <= listed
    for option in root.params:
        assert max(option.opts, key=len) in HELP
    done = run_python("-m", "colourmatch", "stock", "list", "--json")
    assert (done.returncode, json.loads(done.stdout)) == (0, {"stocks": []})
    assert cli("stock", "list", "--json").data == {"stocks": []}


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help_with_an_example(cli, name):
    said = cli(*name.split(), "--help")
    assert said.code == 0
    assert re.search(rf"Example:\n {{2,4}}colourmatch {name}", said.out)
    assert "--json" in said.out


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


def test_amounts_are_given_with_or_without_their_unit(lot):
    named = ["lot", "new", "--name", "x", "--stock", "red", "--json"]
    for volume in (["--volume-ml", "2 l"], ["--volume", "2000"], ["--volume", "2 l", "--volume-ml", "2000"]):
        made = lot(*named, *volume).data
        assert made["volume_ml"] == 2000 and made["label"] == f"L{made['lot']}"
    assert lot(*named, "--volume", "2 l", "--volume-ml", "900").data["error"]["code"] == "value"
    put = lot("lot", "correct", made["lot"], "--volume", "2,5 l", "--reason", "measured again", "--json").data
    assert put["changes"] == {"volume_ml": 2500}
    added = lot("lot", "add", "1", "--stock", "red", "--ml", "0.1 cl", "--json").data
    assert (added["ml"], added["unit"]) == (1, "ml")
    assert lot("lot", "add", "1", "--stock", "red", "--grams", "500 mg", "--json").data["quantity"] == 0.5
    assert lot("lot", "sample", "1", "--ml", "1 cl", "--json").data["ml"] == 10
    assert lot("lot", "add", "1", "--untinted-ml", "0,1 l", "--json").data["ml"] == 100


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
    (["lot", "add", "1", "--stock", "red", "--drops", "nan"], "value", "--drops is nan."),
    (["lot", "add", "1", "--stock", "red", "--untinted-ml", "5"], "value", "Write down one thing at a time"),
    ([*LOT, "--jurisdiction", "MARS"], "value", 'There are no limits on file for "MARS". Choose EU or US'),
    ([*LOT, "--target-lab", "60,45"], "value", "--target-lab is '60,45', which is not three numbers."),
    ([*LOT, "--reference", "bottle"], "not-found", "There is no reference 'bottle'."),
    ([*LOT, "--serving", "depth=60"], "value", "--serving cannot be read at 'depth=60'. Give name, depth-mm"),
    ([*LOT, "--serving", "depth-mm=60,depth-mm=50"], "value", "--serving cannot be read at 'depth-mm=50'"),
    ([*LOT, "--serving", "light=moon"], "value", "The light 'moon' is not known. Give one of the CIE's"),
    ([*LOT, "--serving", "weight=0"], "value", "The weight of a serving must be from 0.001"),
    ([*LOT, "--token", "x" * 151], "value", "--token has 151 characters."),
    (["lot", "label", "1", "--copies", "3"], "value", "Give --out with a PDF to write."),
    (["lot", "trend", "--stock", "reed"], "not-found", "Near it: red."),
    (["lot", "import", "lots.csv"], "value", "holds too little to be read back"),
    (["lot", "import", "none.json"], "value", "There is no file none.json."),
    (["reference", "add", "Bottle"], "value", "Say it in one way: PHOTO..., --lab"),
    (["reference", "add", "Bottle", "x.jpg", "--lab", "1,2,3"], "value", "Say it in one way"),
    (["reference", "add", "Bottle", "x.jpg", "--lab-sd", "1,2,3"], "value", "--lab-sd goes with --lab."),
    (["reference", "add", "B", "--from-lot", "1", "--dilution", "2"], "value", "Leave them out"),
    (["reference", "add", "Bottle", "none.jpg"], "photo", "There is no file"),
    (["lot", "correct", "1", "99", "--drops", "1", "--reason", "x"], "value", "Lot 1 has no entry 99."),
    (["lot", "correct", "1", "--reason", "x"], "value", "Say what to correct"),
    (["lot", "correct", "1", "2", "--volume-ml", "850", "--reason", "x"], "value", "An entry is corrected"),
    ([*MAKE, "--dye-content", "85"], "value", "For 85 % write 0.85."),
    ([*STRENGTH_1, "--colourant", "custom"], "value", "--peak-nm"),
    ([*STRENGTH_1, "--colourant", "E129", "--like", "E110"], "value", "custom"),
    (["stock", "dilute", "red"], "value", "Give --fold to dilute"),
    (["measure", "x.jpg", "--batch", "1,1,9,9"], "value", "needs --white"),
    (["measure", "x.jpg", "--white", "1;2", "--batch", "1,1,9,9"], "value", "Give X,Y,W,H"),
    (["lot", "export", "--out", "/no/such/folder/lots.csv"], "book", "cannot be written"),
    (["lot", "export", "--out", "-"], "value", "--json and --out - both want"),
    (["lot", "export", "--out", "lots.xlsx"], "value", "Name it .csv, which spreadsheets open"),
    (["lot", "trial", "1", "--ml", "50", "--pour-back"], "value", "Give one of --ml"),
    (["lot", "use", "1", "red"], "value", "uses red already. Name another stock."),
    (["lot", "answer", "1"], "value", "--yes"),
    (["lot", "photo", "1", "x.jpg", "--white", "1,1,9,9"], "value", "at least one of --reference and --batch"),
    (["card-profile", "add", "kitchen"], "value", "Say it in one way"),
    (["phone", "add", "x.jpg", "--light", "a", "--batch", "red=6drops"], "value", "give --volume-ml"),
    ([*MAKE, "--bottle-g-per-100ml", "5", "--dye-content", "0.85"], "value", "not both"),
    ([*MAKE, "--bottle-colour-value", "150"], "value", "--colourant"),
    ([*GRAPE, "--bottle-g", "20"], "value", "--bottle-percent"),
    ([*GRAPE, "--bottle-percent", "4", "--strength-g-per-100ml", "1"], "value", "--bottle-percent"),
    (GRAPE, "value", "--bottle-percent"),
    (["book", "restore", "/no/such.zip", "--book", "/no/such/new.sqlite"], "book", "cannot be read"),
]  # fmt: skip


@pytest.mark.parametrize(("arguments", "code", "part"), REFUSALS, ids=[" ".join(row[0]) for row in REFUSALS])
def test_a_refusal_is_one_line_and_one_object(lot, arguments, code, part):
    said = lot(*arguments, "--json")
    assert said.code == 2
    assert said.data["error"]["code"] == code
    assert part in said.data["error"]["text"]
    assert said.err == said.data["error"]["text"] + "\n"


def test_refusals_and_faults_are_one_line_and_a_trace_on_demand(cli, monkeypatch):
    said = cli("lot", "show", "7")
    assert (said.code, said.out) == (2, "")
    assert said.err.count("\n") == 1

    def fail(*_args: object, **_settings: object) -> None:
        raise RuntimeError("first line\nsecond line")

    monkeypatch.setattr("colourmatch.book.lot_book.read_book", fail)
    said = cli("lot", "list", "--json")
    assert said.code == 1 and said.data["error"]["code"] == "fault"
    assert said.err.count("\n") == 1 and "COLOURMATCH_DEBUG=1" in said.err and "first line second" in said.err
    monkeypatch.setenv("COLOURMATCH_DEBUG", "1")
    assert "Traceback" in cli("lot", "list").err


def test_a_file_name_that_is_no_text_is_no_fault(tmp_path):
    words = ["-m", "colourmatch", "measure", os.fsencode(tmp_path) + b"/\xff.jpg", "--json"]
    done = run_python(*words, env={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 2
    assert json.loads(done.stdout)["error"].startswith("There is no file")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the device is Linux's")
@pytest.mark.parametrize(
    ("arguments", "output"),
    [
        ("card --out c.pdf --json", "full"), ("stock list --json", "left"), ("lot show 1 --json", "closed"),
        ("guide", "full"), ("guide", "left"), ("--help", "closed"),
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
    run = {"stderr": subprocess.PIPE, "text": True, "cwd": tmp_path, "env": surroundings, "timeout": 600}
    done = subprocess.run(call, stdout=writing, **run)
    os.close(writing)
    said = [line for line in done.stderr.splitlines() if "The first entry makes it" not in line]
    enough = output == "left" and "--json" not in arguments  # a person who has read enough, such as `| head`
    assert (done.returncode, len(said)) == ((0, 0) if enough else (2, 1)), done.stderr


def test_figures_are_printed_without_the_tail_of_a_binary_number(lot, capsys):
    told = {"a": [0.1 + 0.2, 12.000000000001, 900]}
    told["b"] = {"c": 1e-7 / 3, "d": True, "e": float("nan"), "f": 5.0}
    print_json(told)
    assert json.loads(capsys.readouterr().out) == {
        "a": [0.3, 12.0, 900], "b": {"c": 3.333333333e-08, "d": True, "e": None, "f": 5.0}
    }  # fmt: skip
    for _ in range(3):
        said = lot("lot", "add", "1", "--stock", "red", "--ml", "0.1", "--json").out
        said += lot("lot", "show", "1", "--json").out
        assert not re.search(r"\d\.\d{11,}", said)


def test_photos_are_measured_in_words_and_as_an_object_or_refused(cli, drawn_photos, sample_photos, tmp_path):
    measured = cli("measure", drawn_photos[0], "--json")
    assert measured.code == 0
    figure = measured.data["delta_e_2000"]
    assert figure["low"] <= figure["value"] <= figure["high"]
    assert set(measured.data["spots"]) == {"reference", "batch", "blank"}
    told = cli("measure", drawn_photos[0])
    assert f"CIEDE2000 {figure['value']:.1f} ({figure['low']:.1f} to {figure['high']:.1f}) by this photo" in told.out
    alone = cli("measure", sample_photos / "bad-text.jpg", "--json")
    assert alone.code == 2 and alone.data["quality"][0]["severity"] == "refuse"
    assert alone.err == alone.data["error"] + "\n"
    none = cli("measure", sample_photos / "bad-empty.jpg", tmp_path, "--json")
    assert none.code == 2 and len(none.data["photos"]) == 2
    assert none.err.splitlines()[-1].startswith("None of the photos could be measured.")


def test_photos_of_the_same_glasses_say_something_together(cli, drawn_photos, tmp_path):
    again = tmp_path / "again.jpg"
    again.write_bytes(drawn_photos[1].read_bytes())
    said = cli("measure", drawn_photos[1], again, "--same", "--json")
    together = said.data["combined"]
    assert said.code == 0 and together["photos"] == [drawn_photos[1].name, "again.jpg"]
    assert len(said.data["photos"]) == 2 and together["agree"]
    apart = cli("measure", *drawn_photos, "--same")
    assert "Together, 2 photos: CIEDE2000 at most " in apart.out and "The 2 photos disagree by" in apart.out
    one = cli("measure", drawn_photos[1], "--same", "--json").data
    assert len(one["photos"]) == 1 and one["combined"]["photos"] == [drawn_photos[1].name]
    none = cli("measure", tmp_path / "none.jpg", "--same", "--json")
    assert none.code == 2 and none.data["combined"] is None


def test_a_glass_can_be_looked_at(lot, drawn_photos):
    empty = lot("lot", "look", "1")
    assert "No photo says anything of lot 1 yet" in empty.out and empty.code == 0
    lot("lot", "photo", "1", drawn_photos[0])
    lot("lot", "add", "1", "--stock", "red", "--drops", "40")
    asked = lot("lot look 1 --serving name=long,dilution=4 --serving depth-mm=20 --json").data
    found = [(one["serving"], one["dilution"], one["batch_ml"]) for one in asked["intake"]]
    assert found == [("serving", 1, 200), ("long", 4, 50)]
    said = lot("lot", "look", "1").out
    assert "served   with soda, warm bar light (60 mm deep, " in said
    assert "there alone nearest after" in said and "for a child of 20 kg" in said


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
    assert lot("lot", "photo", "1", drawn_photos[0]).out.count(IN_LOT) == 1
    lot("lot", "add", "1", "--stock", "red", "--drops", first["advice"]["doses"][0]["drops"])
    late = lot("lot", "photo", "1", drawn_photos[0], "--json")
    assert late.data["entry"] == first["entry"] and late.data["repeated"]
    assert late.data["advice"]["text"] != first["advice"]["text"]
    assert late.data["advice"] == lot("lot", "show", "1", "--json").data["advice"]
    assert "is in the lot already, as entry 1" in late.err and "take a new photo" in late.err
    lot("lot", "close", "1", "--reason", "given up")
    closed = lot("lot", "photo", "1", drawn_photos[0])
    assert "-> Add" not in closed.out


def test_limits_not_kept_say_so_and_an_amount_beyond_is_no_advice(cli):
    cli(*RED)
    open_place = [part for part in LOT if part not in ("--ceiling-mg-per-l", "60")]
    told = cli(*open_place).out
    assert "the advice does not keep them" in told and "lot correct 1 --jurisdiction EU" in told
    assert "no ceiling of its own" in cli("lot", "show", "1").out
    assert "does not keep them" in unfold(cli("lot", "show", "1").out)
    assert "does not keep them" not in cli(*open_place, "--jurisdiction", "EU").out
    advice = {"action": "add", "text": "Add 4 drops of red.", "ceiling_cost_delta_e_2000": 15.8}
    advice |= {"to_match": [{"stock": "red", "drops": 45, "low": 27, "high": 69}]}
    assert "to the nearest point, but a ceiling comes first" in "\n".join(advice_lines(advice, 1, 1.5))


LISTING = "stock list, lot list, lot trend, reference list, phone list, card-profile list"
GOING_ON = (
    "lot show 1, lot sheet 1 --out x.pdf, lot label 1, lot look 1, lot trial 1, lot recheck 1, lot export --out x.csv, "
    "reference show a, card-profile show a, book check, book backup --out x.zip, lot photo 1 x.jpg, lot close 1, "
    "lot new --name x --volume-ml 900 --stock red, lot add 1 --stock red --drops 3, lot sample 1 --ml 10, "
    "lot correct 1 --volume-ml 800 --reason x, lot set-aside 1 1 --why x, lot trial 1 --ml 100, lot use 1 red, "
    "stock weigh red --drops 40 --grams 2, stock dilute red --fold 10, stock reset red, stock put-away red, "
    "lot recheck 1 x.jpg, reference choose a --lot 1, reference add a --from-lot 1, card-profile default a, "
    "card-profile forget a, phone add x.jpg --light a --batch red=6, phone fit, phone forget"
)


def test_a_command_that_begins_nothing_makes_no_book_and_says_that_there_is_none(cli, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    place = tmp_path / "new" / "b.sqlite"
    for command in (LISTING + ", " + GOING_ON).split(", "):
        said = cli(command, "--json", "--book", place)
        assert said.err.startswith(f"There is no lot book at {place} yet."), command
        if command in LISTING.split(", "):
            assert said.code == 0 and not any(isinstance(v, list) and v for v in said.data.values()), command
        else:
            assert said.code == 2 and said.data["error"]["code"] == "book", command
            assert said.err.count("\n") == 1
        assert not list(tmp_path.iterdir()), command


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


def test_the_first_dose_of_a_lot_like_another_is_the_answer_until_it_is_in(lot):
    lot("lot", "add", "1", "--stock", "red", "--drops", "60")
    lot("lot", "close", "1", "--reason", "matched", "--sure")
    *_, said, following = lot("lot", "new", "--like", "1").out.splitlines()
    drops = re.fullmatch("-> Pour ([0-9]+) drops of red first, .*", said)[1]
    assert following == f"Next: colourmatch lot add 2 --stock 'red' --drops {drops}"
    (answer,) = re.findall("-> .*", lot("lot", "show", "2").out)
    assert answer.startswith(f"-> Pour {drops} drops of red first")
    lot("lot", "add", "2", "--stock", "red", "--drops", drops)
    assert "-> Photograph" in lot("lot", "show", "2").out


def test_a_closed_lot_is_told_with_its_end_and_takes_nothing_more(lot, drawn_photos, tmp_path):
    lot("lot", "photo", "1", drawn_photos[0])
    lot("lot", "close", "1", "--reason", "nearest", "--sure")
    told = lot("lot", "show", "1").out
    assert "ended at CIEDE2000" in told and "-> Add" not in told
    assert ", finished: CIEDE2000" in lot("lot", "recheck", "1").out
    assert lot("lot", "recheck", "1", drawn_photos[1]).out.endswith("Photograph again in a week.\n")
    late = lot("lot", "add", "1", "--stock", "red", "--drops", "1", "--json")
    assert late.code == 2 and late.data["error"]["code"] == "closed"
    assert lot("lot", "list", "--open", "--json").data["lots"] == []
    next((tmp_path / "book.sqlite.photos").rglob("*.jpg")).unlink()
    found = lot("book", "check", "--json")
    assert found.code == 2 and found.data["findings"] and found.data["error"]["text"] in found.err


def test_a_question_names_the_command_that_answers_it(cli, sample_photos):
    cli("stock add blue --colourant E133 --strength-g-per-100ml 1")
    cli("lot new --name Mixed --volume-ml 900 --stock blue --dilution 5")
    cli("lot", "photo", "1", sample_photos / "ladder1-0.jpg")
    cli("lot add 1 --stock blue --drops 30")
    said = cli("lot", "photo", "1", sample_photos / "ladder1-2.jpg").out
    assert "colourmatch lot answer 1 --yes" in said and "lot answer 1 --no" in said


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
    assert read_lab(typed, "--lab") == lab
    for wrong in ("60", "60,45,30,2", "60;45", "a,b,c", "nan,1,2", "60,,30", "1e3,1,1", ""):
        with pytest.raises(InputError, match="which is not three numbers"):
            read_lab(wrong, "--lab")


def test_servings_and_known_liquids_as_people_type_them(cli):
    read = read_serving("Name=soda, on ice, depth-mm=60,5;light=a,weight=2", "--serving")
    assert read == {"name": "soda, on ice", "depth_mm": 60.5, "illuminant": "a", "weight": 2}
    assert read_serving("none", "--serving") == {}
    assert read_known("red=6,yellow=4", "--batch") == {"red": (6, "mg/l"), "yellow": (4, "mg/l")}
    assert read_known("red=6 drops", "--batch") == {"red": (6, "drops")}
    assert read_known("red=0,3ml", "--batch") == {"red": (0.3, "ml")}
    with pytest.raises(InputError, match="Give STOCK=MG_PER_L"):
        read_known("red", "--batch")


def test_the_book_may_be_named_before_and_after_the_command(cli, tmp_path):
    one, two = tmp_path / "one.sqlite", tmp_path / "two.sqlite"
    cli("--book", one, *RED)
    assert len(cli("stock", "list", "--book", one, "--json").data["stocks"]) == 1
    assert cli("--book", one, "stock", "list", "--book", two, "--json").data["stocks"] == []
    assert cli("--json", "stock", "list").data["stocks"] == []


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


def test_app_starts_on_this_machine_only_and_names_a_taken_port(cli, tmp_path, served):
    said = cli("app", "--book", tmp_path / "other.sqlite", "--json")
    assert served == [(["127.0.0.1"], None)]
    assert said.data["url"] == f"http://127.0.0.1:{said.data['port']}" and said.data["share"] is None
    assert os.environ["COLOURMATCH_BOOK"] == str(tmp_path / "other.sqlite")
    assert said.data["url"] in said.err
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        said = cli("app", "--port", port, "--json")
    assert said.code == 2 and f"Port {port} is in use. Stop what uses it" in said.data["error"]["text"]


def test_app_is_shared_at_one_address_behind_a_code(cli, tmp_path, served, monkeypatch):
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


def test_times_and_dates_are_those_of_the_place(lot, monkeypatch, tmp_path):
    lot("lot", "add", "1", "--stock", "red", "--drops", "2")
    told = lot("lot", "show", "1", "--json").data
    begun, added = (datetime.fromisoformat(t) for t in (told["created_at"], told["events"][0]["created_at"]))
    try:
        for hours in (-12, 0, 12):  # one of them is on another day than UTC
            name = "UTC" if not hours else f"XYZ (UTC{hours:+03d}:00)"
            monkeypatch.setenv("TZ", f"XYZ{-hours}" if hours else "UTC0")
            time.tzset()
            there = begun + timedelta(hours=hours)
            shown = f"{added + timedelta(hours=hours):%Y-%m-%d %H:%M} {name[:3]}  2 drops of red"
            assert shown in lot("lot", "show", "1").out
            assert f"begun {there:%Y-%m-%d}, not closed" in lot("lot", "label", "1").out
            assert f"{there:%Y-%m-%d}" in lot("lot", "list").out
            lot("lot", "sheet", "1", "--out", tmp_path / "lot.pdf")
            text = PdfReader(tmp_path / "lot.pdf").pages[0].extract_text()
            assert f"begun {there:%Y-%m-%d %H:%M}" in text and f"All times are {name}" in text
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_time_alone_is_on_the_day_that_the_entry_has(lot):
    day = date(2026, 11, 25)
    assert parse_moment("14:30", day) == datetime(2026, 11, 25, 14, 30).astimezone()
    assert parse_moment("2026-11-24 09:05", day) == datetime(2026, 11, 24, 9, 5).astimezone()
    assert parse_moment("2026-11-25T14:30+05:00", day).utcoffset() == timedelta(hours=5)
    lot("lot", "sample", "1", "--ml", "10")
    for typed in ("2026-11-25", "half past two", "25:00", "0001-01-01 00:00"):
        said = lot("lot", "correct", "1", "1", "--at", typed, "--reason", "x")
        assert said.code == 2, typed
    assert lot("lot", "correct", "1", "1", "--at", "14:30", "--ml", "9", "--reason", "x").code == 2
    assert lot("lot", "correct", "1", "--at", "14:30", "--reason", "x").code == 2


def test_a_corrected_photo_says_what_it_was_read_as():
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


def test_closing_against_the_advice_is_asked_about_once(lot, drawn_photos):
    advice = lot("lot", "photo", "1", str(drawn_photos[0]), "--json").data["advice"]
    assert advice["action"] == "add"
    said = lot("lot", "close", "1", "--reason", "Matched", "--json")
    assert said.code == 2 and advice["text"] in said.data["error"]["text"]
    assert not lot("lot", "show", "1", "--json").data["closed"]
    closed = lot("lot", "close", "1", "--reason", "matched", "--sure", "--token", "t", "--json")
    assert closed.code == 0 and advice["text"] in closed.data["against"]
    again = lot("lot", "close", "1", "--reason", "matched", "--token", "t", "--json")
    assert again.data["outcome"] == "matched"
    assert lot("lot", "close", "1", "--reason", "nearest", "--token", "t", "--json").code == 2
    lot(*LOT)
    lot("lot", "trial", "2", "--ml", "100")
    told = lot("lot", "close", "2", "--reason", "past", "--sure")
    assert told.out.startswith("Lot 2. Closed: ") and "The advice was another: " in told.out
    assert "Lot 3, a trial taken from this one, is still open." in told.err
    # the maker's own ends are no contradiction
    own = lot("lot", "close", "3", "--reason", "given up", "--json").data
    assert own["against"] == "" and own["open_trials"] == []


def test_a_lot_is_shown_in_80_columns_and_ends_with_the_answer(lot):
    lot("lot", "sample", "1", "--ml", "20", "--by", "a name of some length")
    lot("lot", "photo", "1", str(ROOT / "tests/photos/ladder1-0.jpg"))
    lines = lot("lot", "show", "1").out.splitlines()
    assert max(map(len, lines)) <= 80
    last = max(k for k, line in enumerate(lines) if line.startswith("-> "))
    assert all(line.startswith("  ") for line in lines[last + 1 :])  # nothing comes after the answer
    assert "appearance" not in unfold("\n".join(lines))
    assert "on appearance" in unfold(lot("lot", "show", "1", "--law").out)
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
