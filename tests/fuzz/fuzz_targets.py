"""What is fuzzed, each a class with `make` (an input from a Random) and `judge` (run it; Fault when it is not as promised).

What is promised: an answer, or a ColourMatchError whose text is a sentence that says what to do. Anything else is a Fault.
"""

import contextlib
import io
import json
import os
import re
import shutil
import warnings
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from random import Random
from typing import Any, ClassVar

import click
import fuzz_seeds
from fuzz_seeds import HOSTILE, draw_picture, make_book, mutate_bytes, mutate_words
from known_pictures import fix_check_sums, to_file
from make_reference import every_command

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.book.restoring import restore_book
from colourmatch.errors import ColourMatchError

#: What a sentence that says what to do begins with, or goes on with behind a comma, a semicolon, "then" or "or".
_DO = [
    "add", "address", "ask", "begin", "bring", "change", "check", "choose", "close", "come", "copy", "correct",
    "count", "create", "draw", "enter", "export", "filter", "free", "give", "go", "hold", "install", "lay",
    "lean", "leave", "look", "lower", "make", "measure", "move", "name", "note", "open", "photograph", "pick",
    "pour", "press", "print", "put", "raise", "read", "remove", "repeat", "restore", "rinse", "say", "see",
    "send", "set", "skip", "start", "switch", "take", "tap", "try", "turn", "type", "update", "use", "void",
    "wait", "weigh", "write",
]  # fmt: skip
_SAYS_WHAT_TO_DO = re.compile(rf"(^|[.;:,?)] |\b(then|or|and|first) )({'|'.join(_DO)})\b", re.IGNORECASE)
#: What the parser of arguments says ends with the way to the help, which must stay fit for copying.
_SEE_HELP = re.compile(r"[.?!] See: colourmatch[a-z -]* --help$")
_TO_COPY = re.compile(r"(: colourmatch [a-z][^:]*|such as: \S+=[^:]*|in two ways\. Write \S+ or \S+\.)$")
#: A range or a list of what is possible says what to do as well.
_SAYS_WHAT_IS_POSSIBLE = re.compile(
    r"\bmust be\b|\bThere are: |\bNear (it|ones): |\bneeds? --|\bcorrected with --|What to do is said with each"
)
#: Longer than any of our sentences with the longest value they may quote.
_LONGEST = 1000


class Fault(Exception):
    """A promise that was broken."""


def judge_sentence(text: str) -> None:
    """Fault when a refusal is no sentence, does not say what to do, or is not fit to be printed."""
    if len(text) > _LONGEST:
        raise Fault(f"a refusal of {len(text)} characters: {text[:200]!r} ...")
    if any(ord(sign) < 32 and sign != "\n" for sign in text):
        raise Fault(f"control characters in {text!r}")
    if _SEE_HELP.search(text) or _TO_COPY.search(text):
        return
    if not text.rstrip().endswith(".") or not text[:1].strip():
        raise Fault(f"no sentence: {text!r}")
    if not _SAYS_WHAT_TO_DO.search(text) and not _SAYS_WHAT_IS_POSSIBLE.search(text):
        raise Fault(f"does not say what to do: {text!r}")


def attempt(act: Callable[[], Any]) -> str:
    """ "done" or "refused"; a Fault for a refusal that is no sentence. What else is raised passes."""
    try:
        act()
    except ColourMatchError as error:
        judge_sentence(error.text)
        return "refused"
    return "done"


class Target:
    """One thing that is fuzzed, in a scratch folder of its own."""

    name = ""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def make(self, rng: Random) -> Any:
        """An input."""
        raise NotImplementedError

    def judge(self, made: Any) -> str:
        """Run it; what came of it in one word."""
        raise NotImplementedError


class Photos(Target):
    """Picture files: told apart, cleaned of their place, loaded, and measured when they load."""

    name = "photos"
    #: One of so many inputs is a photo of the card, which takes longer to measure than all the others to load.
    CARDS = 400

    def make(self, rng: Random) -> tuple[str, bytes]:
        if rng.randrange(self.CARDS) == 0:
            return "card.jpg", mutate_bytes(rng, fuzz_seeds.card_seed())
        seeds = fuzz_seeds.picture_seeds()
        (name, data), (other_name, other) = rng.choice(seeds), rng.choice(seeds)
        data = mutate_bytes(rng, data, other)
        if name.endswith(".png") and rng.random() < 0.6:
            data = fix_check_sums(data)
        return (other_name if rng.random() < 0.1 else name), data

    def judge(self, made: tuple[str, bytes]) -> str:
        from colourmatch.book.photo_store import find_suffix, strip_position
        from colourmatch.photo.load import load_photo
        from colourmatch.photo.measure import measure_or_refuse

        name, data = made
        if data:
            attempt(lambda: strip_position(data, find_suffix(data)))
        if (loaded := attempt(lambda: load_photo(data, name))) == "refused":
            return loaded
        measured = measure_or_refuse(data, name)
        for flag in measured.quality:
            judge_sentence(flag.text)
        json.dumps(measured.to_json(), allow_nan=False)
        return "measured" if measured.refused is None else "loaded"


class Exports(Target):
    """JSON of a whole book; one that is taken must then be a book that can be read, checked and written."""

    name = "exports"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        make_book(folder / "seed.sqlite")
        with open_book(folder / "seed.sqlite") as book:
            out = io.StringIO()
            book.archive.export_json(out)
        self.text = out.getvalue()
        self.book: LotBook | None = None
        with open_book(folder / "fresh.sqlite"):
            pass

    def make(self, rng: Random) -> bytes:
        return fuzz_seeds.mutate_export(rng, self.text)

    def judge(self, made: bytes) -> str:
        book = self.book or self._open_fresh()
        self.book = None  # a book that something went into is not used again
        stream = io.TextIOWrapper(io.BytesIO(made), "utf-8")
        if (taken := attempt(lambda: book.archive.import_json(stream))) == "done":
            use_book(book)
            book.close()
        elif book.lots.count() or book.stocks.all(active_only=False):
            raise Fault("a refused export left something in the book")
        else:
            self.book = book
        return taken

    def _open_fresh(self) -> LotBook:
        path = self.folder / "import.sqlite"
        clear_book(path)
        shutil.copyfile(self.folder / "fresh.sqlite", path)
        return open_book(path)


class Backups(Target):
    """Archives of a whole book; one that is refused leaves no book, one that is taken is one that can be used."""

    name = "backups"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        make_book(folder / "seed.sqlite")
        with open_book(folder / "seed.sqlite") as book:
            book.archive.backup(folder / "seed.zip")
        self.data = (folder / "seed.zip").read_bytes()

    def make(self, rng: Random) -> bytes:
        if rng.random() < 0.4:
            return mutate_bytes(rng, self.data, self.data)
        return self._repack(rng)

    def _repack(self, rng: Random) -> bytes:
        """A whole archive with changed contents, names or manifest, its hash put right in half of them."""
        import hashlib

        with zipfile.ZipFile(io.BytesIO(self.data)) as packed:
            parts = {name: packed.read(name) for name in packed.namelist()}
        chosen = rng.choice(list(parts))
        kind = rng.randrange(4)
        if kind == 0:
            parts[chosen] = mutate_bytes(rng, parts[chosen])
        elif kind == 1:
            del parts[chosen]
        elif kind == 2:
            strange = ("../../x", "/etc/x", "photos/ab/x.jpg", "book.json", "C:\\x", "a\\..\\b")
            parts[rng.choice(strange)] = parts.pop(chosen)
        else:
            parts["book.sqlite"] = mutate_bytes(rng, parts["book.sqlite"])
        manifest = parts.get("manifest.json")
        if manifest is not None and "book.sqlite" in parts and rng.random() < 0.7:
            with contextlib.suppress(ValueError, TypeError):
                told = json.loads(manifest)
                told["database_sha256"] = hashlib.sha256(parts["book.sqlite"]).hexdigest()
                parts["manifest.json"] = json.dumps(told).encode()
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as packed:
            for name, content in parts.items():
                packed.writestr(name, content)
        return out.getvalue()

    def judge(self, made: bytes) -> str:
        archive, place = self.folder / "made.zip", self.folder / "restored.sqlite"
        clear_book(place)
        before = set(self.folder.iterdir())
        archive.write_bytes(made)
        opened: list[LotBook] = []
        taken = attempt(lambda: opened.append(restore_book(archive, place)))
        for book in opened:
            with book:
                use_book(book)
        if taken == "refused" and place.exists():
            raise Fault("a refused backup left a book")
        own = {archive, *(place.with_name(place.name + end) for end in ("", ".photos", "-wal", "-shm"))}
        if strange := set(self.folder.iterdir()) - before - own:
            raise Fault(f"written elsewhere: {strange}")
        return taken


class Entries(Target):
    """What is typed into stocks and lots: by its parser, and as text and numbers by the calls that pages use."""

    name = "entries"
    EVERY = 300

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        make_book(folder / "seed.sqlite")
        self.count = 0
        self.book: LotBook | None = None

    def make(self, rng: Random) -> tuple[int, list[Any]]:
        values = [self._value(rng) for _ in range(8)]
        return rng.randrange(17), values

    def _value(self, rng: Random) -> Any:
        usual = ("12", "0,05", "name=a,light=D65", "red", "60,45,30")
        text = mutate_words(rng, [rng.choice((*HOSTILE, *usual))])
        number = rng.choice(
            (0, -1, 1, 2, 0.5, 12, 900, 1e-320, 1e308, -0.0, 10**400, 2**63, float("nan"), float("inf"))
        )
        return rng.choice((" ".join(text), number, number))

    def judge(self, made: tuple[int, list[Any]]) -> str:
        if self.count % self.EVERY == 0:
            if self.book is not None:
                self.book.close()
            clear_book(self.folder / "book.sqlite")
            shutil.copyfile(self.folder / "seed.sqlite", self.folder / "book.sqlite")
            self.book = open_book(self.folder / "book.sqlite")
        self.count += 1
        assert self.book is not None
        which, values = made
        return attempt(lambda: act_on_book(self.book, which, values))


def act_on_book(book: Any, which: int, values: list[Any]) -> None:
    """One of the calls behind the pages; texts where texts are typed, numbers where numbers are."""
    from colourmatch.commands.options import LAB, NUMBER, RECTANGLE, SERVING, parse_moment
    from colourmatch.workflow.references import enter_reference

    texts = [str(v) for v in values]
    numbers = [v if not isinstance(v, str) else 12 for v in values]
    lot = book.lots.search()[0].id
    if which < 4:
        (NUMBER, RECTANGLE, LAB, SERVING)[which].convert(texts[0], None, None)
        return
    acts: tuple[Callable[[], Any], ...] = (
        lambda: book.stocks.add(texts[0], texts[1], numbers[0], drop_ml=numbers[1], notes=texts[2]),
        lambda: book.stocks.add(texts[0], "E129", numbers[0], drop_ml=numbers[1], density_g_per_ml=numbers[2],
                               strength_rel_sd=numbers[3], drop_rel_sd=numbers[4]),
        lambda: book.lots.begin(texts[0], numbers[0], ["red"], ceiling_mg_per_l=numbers[1], depth_mm=numbers[2],
                             dilution=numbers[3], tolerance=numbers[4], already_mg_per_l=numbers[5], number=texts[1],
                             notes=texts[2]),
        lambda: book.lots.begin(texts[0], 900, [texts[1]], reference=texts[2], jurisdiction=texts[3],
                             already_colourant=texts[4], target_lab=numbers[:3]),
        lambda: book.additions.add(lot, texts[0] if len(texts[1]) % 2 else "red", drops=numbers[0], entered_by=texts[2]),
        lambda: book.additions.add(lot, "red", **{("ml", "grams")[len(texts[0]) % 2]: numbers[0]}),
        lambda: (book.volumes.take_sample(lot, numbers[0]), book.volumes.add_untinted(lot, numbers[1])),
        lambda: book.stocks.weigh("red", numbers[0], numbers[1], density_g_per_ml=numbers[2]),
        lambda: (book.lots.get(texts[0]), book.stocks.get(texts[1])),
        lambda: (enter_reference(book, texts[0], numbers[:3]), book.entries.add_note(lot, texts[1]),
                 book.lots.amend(lot, texts[4], notes=texts[2], serving={"conditions": [{"name": texts[3], "depth_mm": numbers[0]}]})),
        lambda: book.stocks.correct("yellow", texts[0], strength_g_per_100ml=numbers[0], notes=texts[1]),
        lambda: book.lots.amend(lot, texts[0], name=texts[1], number=texts[2]),
        lambda: book.entries.move(3, parse_moment(texts[0], date(2026, 1, 1)), texts[1]),
    )  # fmt: skip
    acts[which - 4]()


class Lines(Target):
    """Command lines, in this process, on a book of their own: exit 0 or 2, one line of refusal, one JSON object."""

    name = "lines"
    EVERY = 150
    #: These start a server, draw for seconds, or fit a camera: only one of so many of their lines is run.
    _SLOW: ClassVar = {"card": 40, "lot sheet": 40, "lot label": 20, "lot trend": 5, "phone fit": 20}
    _SLOW |= {"app": 0, "demo": 0}

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        make_book(folder / "seed.sqlite")
        self.count = 0
        self.commands = dict(every_command())
        self.work = folder / "work" / "here"
        self.work.mkdir(parents=True)
        self.book = folder / "work" / "book.sqlite"
        os.environ |= {"COLOURMATCH_BOOK": str(self.book), "COLUMNS": "80"}
        os.environ["XDG_DATA_HOME"] = str(folder / "work")

    def make(self, rng: Random) -> list[str]:
        name = rng.choice(list(self.commands))
        words = name.split()
        for parameter in self.commands[name].params:
            if parameter.required or rng.random() < 0.25:
                words += _fill(rng, parameter)
        if rng.random() < 0.3:
            words.append("--json")
        # the system hands over no argument with a zero byte
        words = [word.replace("\0", "") for word in mutate_words(rng, words)]
        line = f" {' '.join(words)} "
        slow = next((often for known, often in self._SLOW.items() if f" {known} " in line), 1)
        if slow != 1 and (slow == 0 or rng.randrange(slow)):
            words.append("--help")
        return words

    def judge(self, made: list[str]) -> str:
        from colourmatch.cli import run

        if self.count % self.EVERY == 0:
            self._lay_out()
        self.count += 1
        out, err = io.StringIO(), io.StringIO()
        before = Path.cwd()
        os.chdir(self.work)
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                code = run(made)
        finally:
            os.chdir(before)
        self._judge_output(made, code, out.getvalue(), err.getvalue())
        return "done" if code == 0 else "refused"

    def _judge_output(self, made: list[str], code: int, out: str, err: str) -> None:
        if code not in (0, 2) or "Traceback" in err:
            raise Fault(f"exit {code}: {err[-500:]}")
        # behind an option that wants a value it may be that value
        asked = any(word == "--json" and not made[k - 1].startswith("--") for k, word in enumerate(made) if k)
        if asked and out and not {"--help", "-h"} & set(made):
            lines = out.splitlines()
            if len(lines) != 1 or not isinstance(json.loads(lines[0]), dict):
                raise Fault(f"not one JSON object: {out[:300]!r}")
        if code == 2:
            lines = [line for line in err.splitlines() if line.strip()]
            if not lines:
                raise Fault("exit 2 without a word on stderr")
            judge_sentence(lines[-1])

    def _lay_out(self) -> None:
        shutil.rmtree(self.folder / "work")
        (self.work / "folder").mkdir(parents=True)
        shutil.copyfile(self.folder / "seed.sqlite", self.book)
        (self.work / "photo.jpg").write_bytes(to_file(draw_picture(), "JPEG"))
        (self.work / "broken.jpg").write_bytes(to_file(draw_picture(), "JPEG")[:300])
        (self.work / "empty.jpg").write_bytes(b"")
        (self.work / "text.jpg").write_text("not a photo")


def _fill(rng: Random, parameter: click.Parameter) -> list[str]:
    """An option or argument with a value that is often possible."""
    named = [] if isinstance(parameter, click.Argument) else [rng.choice(parameter.opts)]
    if getattr(parameter, "is_flag", False):
        return named
    if rng.random() < 0.3:
        return [*named, rng.choice(HOSTILE)]
    if parameter.name == "book":
        places = ("../book.sqlite", "folder", "text.jpg", "sqlite://", "http://x", "mysql://x/y")
        return [*named, rng.choice(places)]
    kind = parameter.type.name
    good = {"number": ("1", "12", "0.5", "900"), "lab": ("60,45,30",), "rectangle": ("1,1,20,20",),
            "serving": ("name=a,depth-mm=60,light=A",)}  # fmt: skip
    if isinstance(parameter.type, click.Choice):
        return [*named, rng.choice(list(parameter.type.choices))]
    usual = ("red", "1", "2", "E129", "photo.jpg", "out.json", "The bottle", "A-1")
    return [*named, rng.choice(good.get(kind, usual))]


def use_book(book: LotBook) -> None:
    """Look at all that a book holds, as the pages do; a refusal must be a sentence."""
    from colourmatch.workflow.describing import describe_lot

    def look() -> None:
        for finding in book.archive.check():
            if not finding.text.endswith("."):
                raise Fault(f"no sentence: {finding.text!r}")
        book.stocks.all(active_only=False)
        for reference in book.references.all():
            book.references.readings(reference.id)
        for lot in book.lots.search():
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                attempt(lambda lot=lot: describe_lot(book, lot.id))
        book.archive.export_csv(io.StringIO(), "entries")

    attempt(look)


def clear_book(path: Path) -> None:
    """Take a book and all that lies beside it away."""
    for end in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    shutil.rmtree(path.with_name(path.name + ".photos"), ignore_errors=True)


TARGETS: tuple[type[Target], ...] = (Photos, Exports, Backups, Entries, Lines)
