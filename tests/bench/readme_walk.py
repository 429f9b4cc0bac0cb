"""Plays the walk through one lot: what was printed goes into README.md, the JSON of a photo into guide/ways.md.

Run: python tests/bench/readme_walk.py      (it replaces what stands between the marks in both)
The photos are those of the invented lot; the drops that go in are those that were advised. For each photo a glass is
poured from the batch, written down, and truly gone. README.md shows the lines of LEFT_OUT nowhere.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from drawn import save_photo
from drawn.demo import draw_demo_photo

from colourmatch.demo import MOST_PHOTOS
from colourmatch.simulate.kitchen import Kitchen

ROOT = Path(__file__).parents[2]
#: How the lines begin that are printed and not shown: colours one by one, and what other lines say as well.
LEFT_OUT = ("photo-", "  reference", "  batch", "  blank", "   now", "   ceiling", "   ended", "   By the labels", "Batch now",
            "Under the ceiling")  # fmt: skip
#: What a glass for a photo takes of the batch.
SAMPLE_ML = 10
NEW = ["lot", "new", "--name", "Bitter orange", "--number", "26-041", "--volume-ml", "900", "--stock", "red",
       "--ceiling-mg-per-l", "60", "--dilution", "5"]  # fmt: skip


def call(folder: Path, *arguments: str) -> str:
    """What a person sees of one command: the line typed and the lines printed."""
    surroundings = os.environ | {"COLOURMATCH_BOOK": "lots.sqlite", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-m", "colourmatch", *arguments],
        cwd=folder, env=surroundings, text=True, check=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    if "--json" in arguments:
        return done.stdout
    said = done.stdout.replace(f"{folder}{os.sep}", "")  # the place is this run's own
    return f"$ colourmatch {shlex.join(arguments)}\n{said}".rstrip()


def shorten(text: str) -> str:
    """The text without the lines that a first reading does not need."""
    return "\n".join(line for line in text.splitlines() if not line.startswith(LEFT_OUT))


def block(*parts: str) -> str:
    """A fenced block of what was typed and printed."""
    return "```\n" + "\n".join(parts) + "\n```\n"


INTRODUCTION = """\
As it was typed and printed, with drawn photos `photo-1.jpg` to `photo-3.jpg` and a book `lots.sqlite` of its own (else it
lies in your data folder); lines that a first look can miss are left out. In brackets are 95 % intervals; +- is one
standard deviation. A stock of 1 g in 100 ml by its label, whose drops were weighed, and a lot that may hold 60 mg of
colour in a litre, measured 1 part made up to 5:
"""
FIRST = f"""\
For each photo a glass of {SAMPLE_ML} ml is poured that does not go back: `colourmatch lot sample 1 --ml {SAMPLE_ML}`.
"""
STEP = """\
The first step stops short on purpose: strength and drops are never quite those of the label. Write down what went in,
photograph again:
"""
CLOSE = """\
Close the lot. The next one starts from what this one taught of the stock:
"""


def play(folder: Path) -> tuple[str, dict[str, Any]]:
    """The whole walk as Markdown, and the JSON of its second photo."""
    added = call(folder, "stock", "add", "red", "--colourant", "E129", "--strength-g-per-100ml", "1.0")
    weighed = call(folder, "stock", "weigh", "red", "--drops", "40", "--grams", "1.93")
    begun = call(folder, *NEW)
    begun = "\n".join(line for line in begun.splitlines() if not line.startswith("  "))  # limits and cautions
    begun = begun.replace(" --ceiling", " \\\n    --ceiling", 1)
    work, shown = play_photos(folder)
    closed, stocks = call(folder, "lot", "close", "1"), call(folder, "stock", "list")
    label = call(folder, "lot", "label", "26-041", "--out", "labels.pdf", "--copies", "12")
    start = [INTRODUCTION, block(added, weighed, begun), FIRST]
    ended = [CLOSE, block(*map(shorten, (closed, stocks, label)))]
    return "\n".join([*start, *work, *ended]), shown


def play_photos(folder: Path) -> tuple[list[str], dict[str, Any]]:
    """Photograph and add as advised, until it says stop: the blocks, and the JSON of the second photo."""
    kitchen, printed, text, shown = Kitchen(), [], [], {}
    for number in range(1, MOST_PHOTOS + 1):
        name = f"photo-{number}.jpg"
        call(folder, "lot", "sample", "1", "--ml", f"{SAMPLE_ML}")
        kitchen = kitchen.take_sample(SAMPLE_ML)
        save_photo(draw_demo_photo(kitchen, number), folder / name)
        printed.append(shorten(call(folder, "lot", "photo", "1", name)))
        again = json.loads(call(folder, "lot", "photo", "1", name, "--json"))
        shown = again if number == 2 else shown
        if number == 1:
            text, printed = [block(*printed), STEP], []
        if again["advice"]["action"] != "add":
            break
        drops = again["advice"]["doses"][0]["drops"]
        kitchen = kitchen.add_drops(drops)
        printed.append(shorten(call(folder, "lot", "add", "1", "--stock", "red", "--drops", str(drops))))
    return [*text, block(*printed)], shown


def describe_json(shown: dict[str, Any]) -> str:
    """The JSON of a photo of a lot with its long parts left out."""
    reference = {key: shown["spots"]["reference"][key] for key in ("lab", "lab_sd", "clarity", "white")}
    batch = {key: shown["spots"]["batch"][key] for key in ("lab", "lab_sd", "clarity", "white")}
    keys = ("action", "reason", "doses", "predicted", "to_match", "reachable_delta_e_2000")
    keys = (*keys, "ceiling_left_mg_per_l", "text", "now", "missing")
    advice = [f'"{key}": {json.dumps(shown["advice"][key])}' for key in keys]
    lines = [
        f'{{"photo": "{shown["photo"]}", "sha256": "{shown["sha256"][:8]}...", "phone": "...",',
        f' "profile": "{shown["profile"]}",',
        f' "card": {json.dumps(shown["card"])},',
        f' "quality": {json.dumps(shown["quality"])}, "error": {json.dumps(shown["error"])},',
        f' "spots": {{"reference": {json.dumps(reference)},',
        f'           "batch": {json.dumps(batch)}, "blank": ...}},',
        f' "delta_e_2000": {json.dumps(shown["delta_e_2000"])},',
        f' "difference": {json.dumps(shown["difference"])},',
        f' "lot": {shown["lot"]}, "entry": {shown["entry"]},',
        ' "advice": {' + ",\n            ".join(advice) + ", ...}}",
    ]
    return block(*lines)


def put_between(page: Path, mark: str, content: str) -> None:
    """Write new content between two marks of a page."""
    pattern = re.compile(rf"(<!-- {mark} -->\n).*?(<!-- end of {mark} -->)", re.DOTALL)
    text = page.read_text(encoding="utf-8")
    if not pattern.search(text):
        raise ValueError(f"{page.name} has no marks for {mark!r}")
    page.write_text(pattern.sub(lambda found: found[1] + content + found[2], text), encoding="utf-8")


def main() -> None:
    """Play and write."""
    with tempfile.TemporaryDirectory() as folder:
        walk, shown = play(Path(folder))
    put_between(ROOT / "README.md", "walk", walk)
    put_between(ROOT / "colourmatch" / "guide" / "ways.md", "json", describe_json(shown))


if __name__ == "__main__":
    main()
