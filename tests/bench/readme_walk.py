"""Plays the walk through one lot that README.md shows, and writes what was really printed into it.

Run: python tests/bench/readme_walk.py      (it replaces what stands between two pairs of marks)
The photos are those of the invented lot; the drops that go in are those that were advised. For each photo a glass is
poured from the batch, written down, and truly gone.
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

from colourmatch.demo import MOST_PHOTOS, Kitchen, draw_demo_photo
from colourmatch.simulate import save_photo

ROOT = Path(__file__).parents[2]
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


def shorten(text: str, start: str, instead: str) -> str:
    """The text with its run of lines that begin with `start` replaced by one line."""
    lines = text.splitlines()
    hit = [k for k, line in enumerate(lines) if line.startswith(start)]
    return "\n".join([*lines[: hit[0]], instead, *lines[hit[-1] + 1 :]]) if hit else text


def block(*parts: str) -> str:
    """A fenced block of what was typed and printed."""
    return "```\n" + "\n".join(parts) + "\n```\n"


INTRODUCTION = """\
What follows was typed and printed as it stands, with simulated photos. The stock is 1.0 g of Allura red
in 100 ml, by its label; 40 drops of it weigh 1.93 g.
"""
BEGUN = "A lot of 900 ml that may hold at most 60 mg of colour in a litre, measured 1 + 4 in water:\n"
FIRST = """\
For each photo a glass is poured, 10 ml that do not go back: written down, so that the batch is as large as it says. The
first photo: the answer starts with what was read and ends with what to do; in brackets are 95 % intervals.
"""
STEP = """\
The first step stops short of the prediction, because the strength of a stock and the size of a drop are
never quite those of the label. Write down what went in, then photograph again:
"""
CLOSE = """\
Close the lot. Its final colour stays in the book, and the next lot starts from what this one taught of the
stock:
"""


AFTERWARDS = """\
What goes on the bottle, and the lot on paper for whoever asks:
"""


def play(folder: Path) -> tuple[str, dict[str, Any]]:
    """The whole walk as Markdown, and the JSON of its second photo."""
    added = call(folder, "stock", "add", "red", "--colourant", "E129", "--strength-g-per-100ml", "1.0")
    weighed = call(folder, "stock", "weigh", "red", "--drops", "40", "--grams", "1.93")
    begun = shorten(call(folder, *NEW), "  ", "  ... (the limits, the warning for the label, the cautions)")
    begun = begun.replace(" --ceiling", " \\\n    --ceiling", 1)
    work, shown = play_photos(folder)
    closed, stocks = call(folder, "lot", "close", "1"), call(folder, "stock", "list")
    story = shorten(
        call(folder, "lot", "show", "1"), "  caution", "  caution: ... (the limits, the cautions)"
    )
    start = [INTRODUCTION, block(added, weighed), BEGUN, block(begun), FIRST]
    label = call(folder, "lot", "label", "26-041", "--out", "labels.pdf", "--copies", "12")
    sheet = call(folder, "lot", "sheet", "26-041", "--out", "lot.pdf")
    ended = [CLOSE, block(closed, stocks, story), AFTERWARDS, block(label, sheet)]
    return "\n".join([*start, *work, *ended]), shown


def play_photos(folder: Path) -> tuple[list[str], dict[str, Any]]:
    """Photograph and add as advised, until it says stop: the blocks, and the JSON of the second photo."""
    kitchen, added, text, shown = Kitchen(), "", [], {}
    for number in range(1, MOST_PHOTOS + 1):
        name = f"photo-{number}.jpg"
        poured = call(folder, "lot", "sample", "1", "--ml", f"{SAMPLE_ML}")
        kitchen = kitchen.take_sample(SAMPLE_ML)
        save_photo(draw_demo_photo(kitchen, number), folder / name)
        said = call(folder, "lot", "photo", "1", name)
        text.append(block(*([added] if added else []), poured, said))
        again = json.loads(call(folder, "lot", "photo", "1", name, "--json"))
        shown = again if number == 2 else shown
        if again["advice"]["action"] != "add":
            break
        text += [STEP] if number == 1 else []
        drops = again["advice"]["doses"][0]["drops"]
        kitchen = kitchen.add_drops(drops)
        added = call(folder, "lot", "add", "1", "--stock", "red", "--drops", str(drops))
    return text, shown


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


def put_between(text: str, mark: str, content: str) -> str:
    """The text with new content between its two marks."""
    pattern = re.compile(rf"(<!-- {mark} -->\n).*?(<!-- end of {mark} -->)", re.DOTALL)
    if not pattern.search(text):
        raise ValueError(f"README.md has no marks for {mark!r}")
    return pattern.sub(lambda found: found[1] + content + found[2], text)


def main() -> None:
    """Play and write."""
    with tempfile.TemporaryDirectory() as folder:
        walk, shown = play(Path(folder))
    readme = ROOT / "README.md"
    text = put_between(readme.read_text(encoding="utf-8"), "walk", walk)
    readme.write_text(put_between(text, "json", describe_json(shown)), encoding="utf-8")


if __name__ == "__main__":
    main()
