"""Plays every command once on the sample photos and keeps the JSON that each printed; it judges nothing.

What the reference page says of the JSON is compared with this (test_reference.py).
"""

import contextlib
import io
import json
import os
import shlex
import shutil
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from remembering import remember

from colourmatch.cli import run

# for make_reference.py and golden.py, which run by themselves too
sys.path.append(str(Path(__file__).parents[1] / "bench"))

from drawn import Light, Phone, Pose, Printer, Scene, drink_transmittance, render_photo, save_photo
from drawn.inks import vary_inks

PHOTOS = Path(__file__).parents[1] / "photos"
Objects = dict[str, list[Any]]


class Player:
    """Calls the command line in this process on a book of its own and keeps what it says."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.objects: Objects = {}

    def call(self, command: str, *rest: object, book: str = "book.sqlite") -> Any:
        """The JSON of one call, its texts split as a shell does; it is kept under the command's name."""
        words = [shlex.split(one) if isinstance(one, str) else [str(one)] for one in rest]
        arguments = [*command.split(), *(word for part in words for word in part), "--json"]
        out = io.StringIO()
        surroundings = {"COLOURMATCH_BOOK": str(self.folder / book)}
        with (
            mock.patch.dict(os.environ, surroundings),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(io.StringIO()),
        ):
            code = run(arguments)
        lines = out.getvalue().splitlines()
        if len(lines) != 1 or code == 1:
            raise AssertionError(f"{' '.join(arguments)} ended with {code} and printed {lines!r}")
        told = json.loads(lines[0])
        self.objects.setdefault(command, []).append(told)
        return told


def play(folder: Path) -> Objects:
    """The JSON of every command, by its name; several calls where its form differs."""
    player = Player(folder)
    with remember():
        boxes = _measure(player)
        _keep_stocks(player)
        _tint(player, boxes)
        _go_on(player)
        _keep_books(player)
        _calibrate(player, boxes)
        _read_guide(player)
        _start_app(player)
    return player.objects


def _photo(name: str) -> Path:
    return PHOTOS / name


def _box(outline: Sequence[Sequence[float]]) -> str:
    """A rectangle well inside an outline, as it is typed."""
    xs, ys = zip(*outline, strict=True)
    middle, half = (sum(xs) / len(xs), sum(ys) / len(ys)), (max(xs) - min(xs)) / 5
    return f"{middle[0] - half:.0f},{middle[1] - half:.0f},{2 * half:.0f},{2 * half:.0f}"


def _measure(player: Player) -> dict[str, str]:
    """Measuring without a lot; rectangles on the three windows of the first photo."""
    card = player.call("card", "--out", player.folder / "card.pdf")
    assert card["version"]
    dated = _with_time(player.folder, _photo("ladder1-3.jpg"))
    one = player.call("measure", dated)
    windows = one["drawing"]["windows"]
    boxes = {"white": _box(windows["blank"]), **{n: _box(windows[n]) for n in ("reference", "batch")}}
    player.call("measure", dated, *_typed(boxes))
    player.call("measure", _photo("bad-text.jpg"))
    player.call("measure", _photo("warn-shadow.jpg"), _photo("warn-haze.jpg"), _photo("bad-empty.jpg"))
    same = (_photo("warn-shadow.jpg"), _photo("ok-one-corner-covered.jpg"), _photo("ladder1-0.jpg"))
    player.call("measure", *same, "--same")
    _measure_through_fields(player)
    return boxes


def _measure_through_fields(player: Player) -> None:
    """The card for a colour printer, and a photo drawn of it: liquids of two dyes, so that a warm lamp parts them."""
    player.call("card", "--fields --out", player.folder / "card-fields.pdf")
    drinks = [drink_transmittance({dye: 8.0}) for dye in ("E129", "E124")]
    printer = Printer(inks=vary_inks(np.random.default_rng(11)))
    pose = Pose(fill=0.9, width_px=2016, height_px=1512)
    scene, phone = Scene(*drinks), Phone(gamut="p3", exposure=0.62)
    drawn = render_photo(scene, phone, Light(), pose, seed=4, printer=printer)
    player.call("measure", save_photo(drawn, player.folder / "fields.jpg"))


def _with_time(folder: Path, photo: Path) -> Path:
    """A copy that says when it was taken."""
    from PIL import Image

    with Image.open(photo) as picture:
        exif = picture.getexif()
        exif.get_ifd(0x8769).update({0x9003: "2026:03:02 10:00:00", 0x9011: "+01:00"})
        picture.save(folder / photo.name, quality=95, exif=exif)
    return folder / photo.name


def _typed(boxes: dict[str, str]) -> list[str]:
    return [part for name, box in boxes.items() for part in (f"--{name}", box)]


def _keep_stocks(player: Player) -> None:
    player.call("stock add", "red --colourant E129 --strength-g-per-100ml 1.0 --by MK")
    player.call("stock add", "yellow --colourant E102 --strength-g-per-100ml 1.0")
    player.call("stock add", "'red too' --colourant E129 --strength-g-per-100ml 0.5")
    player.call("stock add", "bottle --colourant custom --peak-nm 505 --strength-g-per-100ml 1")
    player.call("stock weigh", "red --drops 40 --grams 1.93")
    player.call("stock make", "--strength-g-per-100ml 1 --volume-ml 50 --dye-content 0.85")
    player.call("stock make", "--strength-g-per-100ml 1 --volume-ml 50 --bottle-g-per-100ml 5")
    player.call("stock make", "--strength-g-per-100ml 1 --volume-ml 50 --colourant E163 --bottle-colour-value 150")
    player.call("stock dilute", "red --fold 10 --name 'red thin'")
    for target in (4, 40):
        player.call("stock dilute", "red --target-mg-per-l", target, "--volume-ml 900")


def _tint(player: Player, boxes: dict[str, str]) -> None:
    """One lot from the first photo to the closing, with every kind of entry."""
    lot = ("--ceiling-mg-per-l", "60", "--dilution", "5", "--jurisdiction", "EU", "--number", "26-041")
    player.call("lot new", "--name Bitter --volume-ml 900 --stock red --stock 'red too'", *lot,
                "--already-mg-per-l 1 --serving 'name=long drink,depth-mm=60,dilution=4,light=A,weight=1' --tolerance 1.5")  # fmt: skip
    player.call("lot photo", "1", _photo("ladder1-0.jpg"))
    player.call("lot photo", "1", _photo("ladder1-0.jpg"))  # sent again
    player.call("lot photo", "1", _photo("bad-empty.jpg"))
    dosed = player.call("lot add", "1 --stock red --drops 65")
    sample = player.call("lot sample", "1 --ml 10")
    player.call("lot correct", "1", sample["entry"], "--ml 12 --reason weighed")
    player.call("lot correct", "1 --tolerance 2 --reason 'as agreed'")
    player.call("lot correct", "1 --target-lab 78,46,35 --reason 'as agreed'")
    player.call("lot correct", "1 --number 26-014 --notes 'of June' --reason mistyped")
    player.call("lot use", "1 yellow")
    player.call("lot look", "1 --serving depth-mm=80,light=FL2")
    player.call("lot trial", "1 --ml 100")
    player.call("lot add", "2 --stock red --drops 1")
    player.call("lot photo", "2", _photo("ladder1-2.jpg"), "--dilution 5 --depth-mm 10")
    player.call("lot trial", "1")
    player.call("lot correct", "1", dosed["entry"], "--drops 60 --reason 'counted again'")
    player.call("lot trial", "1")  # tells what that means for its trial
    player.call("lot trial", "2")
    player.call("lot trial", "2 --pour-back")
    added = player.call("lot add", "1 --stock red --drops 2")
    now = datetime.now(UTC).isoformat()
    player.call("lot correct", "1", added["entry"], "--at", now, "--reason 'noted too early'")
    corrected = player.call("lot correct", "1", added["entry"], "--drops 3 --reason 'counted again'")
    player.call("lot correct", "1", corrected["entry"], "--void --reason 'other lot'")
    player.call("lot add", "1 --untinted-ml 20")
    player.call("stock dilute", "red --fold 2 --name 'red 1 in 2'")
    player.call("stock correct", "red --strength-g-per-100ml 1.001 --reason misread")
    player.call("lot photo", "1", _photo("ladder1-5.jpg"), _photo("bad-text.jpg"))
    player.call("lot set-aside", "1 ladder1-0.jpg --why 'a lamp shone in'")
    player.call("lot show", "1")
    player.call("lot set-aside", "1 ladder1-0.jpg --why 'it was all right' --take-back")
    player.call("lot close", "1 --by MK --note good")
    player.call("lot reopen", "1 --reason 'closed too early'")
    player.call("lot show", "1")
    player.call("lot close", "1 --by MK --note good")
    player.call("lot show", "1")
    _miss(player, boxes)


def _miss(player: Player, boxes: dict[str, str]) -> None:
    """Lots that cannot be matched: another bottle, another kind of colour, past the reference, past the ceiling."""
    player.call("lot new", "--name Pale --volume-ml 2 --stock yellow")  # asked about
    player.call(
        "lot new",
        "--name Pale --volume '0.9 l' --stock yellow --dilution 5 --made-up-to 6 "
        "--ingredients 'water, sugar, colours, citric acid' --contents '500 ml' "
        "--best-before 2027-05-01 --producer 'Invented Drinks, 1 Low Street' --keeping 'Keep cold once opened.'",
    )
    player.call("lot photo", "3", _photo("ladder1-0.jpg"), *_typed(boxes))
    turned = _typed({"white": boxes["white"], "reference": boxes["batch"], "batch": boxes["reference"]})
    player.call("lot new", "--name Deep --hand grams --volume-ml 900 --stock red --dilution 5 --ceiling-mg-per-l 40")  # fmt: skip
    player.call("lot add", "4 --stock red --drops 80")
    player.call("lot photo", "4", _photo("ladder1-2.jpg"), *turned)
    player.call("lot show", "4")
    player.call("lot close", "4 --reason 'given up'")
    player.call("stock add", "weak --colourant E129 --strength-g-per-100ml 0.01")
    player.call("lot new", "--name Weak --volume-ml 900 --stock weak --dilution 5 --by MK --already-mg-per-l 1 --already-colourant E110")  # fmt: skip
    player.call("lot photo", "5", _photo("ladder1-0.jpg"))
    bare = {"book": "bare.sqlite"}
    player.call("stock add", "blue --colourant E133 --strength-g-per-100ml 1", **bare)
    player.call("lot new", "--name Far --volume-ml 900 --stock blue --dilution 5", **bare)
    player.call("lot photo", "1", _photo("ladder1-0.jpg"), **bare)
    player.call("lot add", "1 --stock blue --drops 40", **bare)
    # its time is before that dose
    player.call("lot photo", "1", _with_time(player.folder, _photo("ladder1-0.jpg")), **bare)
    player.call("lot answer", "1 --no --cause photo-before-addition", **bare)
    player.call("lot answer", "1 --yes", **bare)
    player.call("lot trial", "1 --ml 100", **bare)
    player.call("lot close", "1 --reason past --sure", **bare)  # against the advice, and with its trial open
    player.call("stock add", "red --colourant E129 --strength-g-per-100ml 1", **bare)
    player.call("lot new", "--name Mixed --volume-ml 900 --stock blue --dilution 5", **bare)
    mixed = player.call("lot list", **bare)["lots"][0]["lot"]
    player.call("lot photo", mixed, _photo("ladder1-0.jpg"), **bare)
    player.call("lot add", mixed, "--stock blue --drops 30", **bare)
    player.call("lot photo", mixed, _photo("ladder1-2.jpg"), **bare)  # that was red
    player.call("lot answer", mixed, "--yes", **bare)
    player.call("lot new", "--name Strong --volume-ml 900 --stock red --dilution 5", **bare)
    strong = player.call("lot list", **bare)["lots"][0]["lot"]
    for number, drops in enumerate((8, 8, 0)):  # more than twice as strong as its label
        player.call("lot photo", strong, _photo(f"ladder1-{number}.jpg"), **bare)
        if drops:
            player.call("lot add", strong, "--stock red --drops", drops, **bare)


def _go_on(player: Player) -> None:
    """After the closing: papers, rechecks, references, lists."""
    player.call("lot list")
    player.call("lot sheet", "1 --out", player.folder / "lot.pdf")
    player.call("lot label", "1")
    player.call("lot label", "Pale")
    _play_again(player)
    player.call("lot label", "1 --out", player.folder / "labels.pdf", "--copies 2")
    player.call("lot recheck", "1", _photo("ok-one-corner-covered.jpg"))
    _let_time_pass(player)
    player.call("lot recheck", "1", _photo("bad-text.jpg"))
    player.call("lot export", "--out", player.folder / "lots.csv")
    player.call("reference add", "Bottle", _photo("warn-shadow.jpg"), "--dilution 5")
    player.call("reference add", "Bottle", _photo("ok-one-corner-covered.jpg"), "--dilution 5")
    player.call("reference add", "None", _photo("bad-text.jpg"))
    player.call("reference add", "Entered --lab 60,45,30")
    player.call("reference add", "Own --from-lot 1")
    player.call("reference list")
    player.call("reference show", "Bottle")
    player.call("reference choose", "Bottle --lot 3")
    player.call("lot list")
    player.call("stock list", "--all")
    player.call("stock reset", "red --reason 'new bottle'")
    player.call("stock put-away", "bottle")


def _play_again(player: Player) -> None:
    """The next lot like a good one, in a book of its own."""
    own = {"book": "again.sqlite"}
    player.call(
        "stock add",
        "red --colourant E129 --strength-g-per-100ml 1.0 --supplier 'A supplier' --batch K-1207 "
        "--made-on 2026-01-02 --use-by 2026-02-01 --amount-ml 5",
        **own,
    )
    player.call("lot new", "--name Cordial --volume '1 l' --stock red", **own)
    player.call("lot add", "1 --stock red --drops 80 --by MK", **own)
    player.call("lot close", "1 --reason matched --sure", **own)
    player.call("lot new", "--like 1 --volume '5 l'", **own)
    player.call("lot show", "2", **own)
    player.call("lot show", "1", **own)
    player.call("stock refill", "red --batch K-1300", **own)
    player.call("stock dilute", "red --fold 2 --name half", **own)
    player.call("stock trace", "K-1207", **own)
    player.call("stock trace", "K-1300", **own)
    player.call("lot log", "--since today", **own)
    player.call("lot log", "1", **own)


def _let_time_pass(player: Player) -> None:
    """What only weeks show: lots against each other, and a colour that fades; the readings are one photo's."""
    from colourmatch.book.lot_book import open_book

    shown = player.objects["measure"][0]
    reference = shown["spots"]["reference"]["lab"]
    tight = [[0.01 if i == k else 0.0 for k in range(3)] for i in range(3)]

    def reading(gap: float) -> dict[str, Any]:
        lab = {"reference": reference, "batch": [reference[0] + gap, *reference[1:]]}
        spots = {name: shown["spots"][name] | {"lab": lab[name], "lab_covariance": tight} for name in lab}
        return shown | {"spots": spots | {"blank": None}}

    begin = datetime(2026, 3, 2, 10, tzinfo=UTC)
    with open_book(str(player.folder / "weeks.sqlite")) as book:
        book.stocks.add("red", "E129", 1.0)
        for number, gap in enumerate((0.1, 0.12, 0.11, 0.1, 0.12, 0.11, 4.0, None), 1):
            book.lots.begin("Bitter", 900, ["red"], depth_mm=10, dilution=5)
            book.additions.add(number, "red", drops=40)
            if gap is not None:
                book.photos.add(number, reading(gap), taken_at=begin)
            book.lots.close(number, "matched")
        for week in (1, 2, 4):
            book.photos.add(1, reading(0.1 + week), purpose="recheck", taken_at=begin + timedelta(weeks=week))
        book.photos.add(1, shown | {"spots": {"reference": None, "batch": None, "blank": None}}, purpose="recheck",
                       taken_at=begin)  # fmt: skip
    player.call("lot trend", book="weeks.sqlite")
    player.call("lot recheck", "1", book="weeks.sqlite")
    player.call("lot show", "1", book="weeks.sqlite")


def _keep_books(player: Player) -> None:
    player.call("lot export", "--out", player.folder / "book.json")
    player.call("lot import", player.folder / "book.json", book="other.sqlite")
    for book in ("book.sqlite", "other.sqlite"):  # the other has no photos
        player.call("book check", book=book)
        player.call("book backup", "--out", player.folder / f"{book}.zip", book=book)
    last_hash = player.call("lot show", "1", book="book.sqlite")["last_hash"]
    player.call("book check", "--hash", last_hash, book="book.sqlite")
    archive = player.folder / "book.sqlite.zip"
    player.call("book restore", archive, book="restored.sqlite")
    photo = next((player.folder / "book.sqlite.photos").glob("??/*"))
    whole, packed = photo.read_bytes(), bytearray(archive.read_bytes())
    photo.write_bytes(whole[:-1])
    player.call("book backup", "--out", player.folder / "lacking.zip", book="book.sqlite")
    photo.write_bytes(whole)
    packed[packed.index(whole) + len(whole) // 2] ^= 1
    archive.write_bytes(packed)
    player.call("book restore", archive, "--leave-out-damaged", book="lacking.sqlite")


def _calibrate(player: Player, boxes: dict[str, str]) -> None:
    """A card and a phone by numbers that are plausible for these photos; what comes of them is not judged."""
    player.call("card-profile list")
    player.call("card-profile add", "kitchen --greys 0.74,0.49,0.36,0.21,0.11,0.05 --sd 0.01 --by MK")
    grey = (boxes["white"], "--reflectance 0.85")
    player.call("card-profile add", "read", _photo("ladder1-5.jpg"), "--grey", *grey)
    player.call("card-profile add", "read", _photo("bad-text.jpg"), "--grey", boxes["white"])
    player.call("card-profile default", "kitchen")
    player.call("card-profile list")
    player.call("card-profile show", "kitchen", _photo("warn-shadow.jpg"))
    player.call("measure", _photo("ladder1-5.jpg"), "--card-name kitchen")
    player.call("phone list")
    known = (("ladder1-1.jpg", "red=3"), ("ladder1-2.jpg", "red=6"), ("warn-shadow.jpg", "red=10"))
    for name, held in (*known, ("ladder1-0.jpg", "yellow=3")):
        player.call("phone add", _photo(name), "--light window --batch", held)
    player.call("phone fit", "--light window --by MK")
    player.call("phone show", "--light window")
    player.call("phone list")
    player.call("measure", _photo("ladder1-5.jpg"), "--light window")
    player.call("lot photo", "3", _photo("ladder1-5.jpg"), "--card-name kitchen --light window")
    player.call("lot show", "3")
    player.call("phone forget", "--light window")
    player.call("card-profile forget", "read")
    _sit(player)


def _sit(player: Player) -> None:
    """A sitting whose photos are drawn of what is said to be in the glasses, so that something is learnt from it."""
    phone = Phone("Phone A", "Drawn phone", gamut="p3", saturation=1.15, matrix_error=0.03, matrix_seed=5)
    dyes = {"red": "E129", "yellow": "E102"}
    sitting = (
        ({"red": 3}, {"red": 12}), ({"yellow": 3}, {"yellow": 7}), ({"red": 4, "yellow": 5}, {"red": 8, "yellow": 3}),
    )  # fmt: skip
    paths = []
    for number, held in enumerate(sitting):
        drinks = [drink_transmittance({dyes[name]: mg for name, mg in one.items()}) for one in held]
        pose = Pose(fill=0.8, tilt_degrees=4, azimuth_degrees=70.0 * number, width_px=1512, height_px=1134)
        drawn = render_photo(Scene(*drinks), phone, Light(), pose, seed=number)
        paths.append(save_photo(drawn, player.folder / f"sitting-{number}.jpg"))
        typed = [",".join(f"{name}={mg}" for name, mg in one.items()) for one in held]
        player.call("phone add", paths[-1], "--light drawn --reference", typed[0], "--batch", typed[1])
    player.call("phone fit", "--light drawn")
    player.call("measure", paths[-1], "--light drawn")


def _read_guide(player: Player) -> None:
    player.call("guide")
    player.call("guide", "care")
    player.call("guide", "--find haze")
    player.call("guide", "nothing")
    player.call("completion", "bash")


def _start_app(player: Player) -> None:
    """The demonstration is played once; the app is only told to start."""
    from colourmatch.commands import running

    def play_demo(book: Any, *_args: object, **_settings: object) -> int:
        """The lot that was played above stands for the demonstration's: drawing its photos takes long."""
        return 1

    kept = player.folder / "kept"
    kept.mkdir()
    shutil.copyfile(player.folder / "book.sqlite", kept / "demo.sqlite")
    shutil.copyfile(_photo("bad-text.jpg"), kept / "photo-1.jpg")
    with mock.patch("colourmatch.demo.play_demo", play_demo):
        player.call("demo", "--keep", kept)
    with mock.patch.object(running, "_serve"):
        player.call("app")
        local = "colourmatch.sharing.network.find_local_address"
        with mock.patch(local, lambda wanted: wanted or "127.0.0.2"):
            player.call("app", "--share")
