"""A week on the command line: three lots of one drink, two people, two bottles of one stock, a recall; some 60 seconds.

Run: python tests/bench/bench_week.py [FOLDER]     (papers and what was printed stay in FOLDER when it is given)
The kitchen is the invented one of the demonstration: its stock is 8 % weaker and its drops 4 % smaller than they say. It
prints, of each lot, the first dose with its interval against the true one, the photos, and the true difference at the end.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

from drawn import save_photo
from drawn.demo import REFERENCE_MG_PER_L, draw_demo_photo

from colourmatch.cli import run
from colourmatch.simulate.kitchen import Kitchen

MOST_PHOTOS = 7
#: ml of a true drop against the label's.
TRUE_DROP_ML = 0.05 * 0.96


class Week:
    """Two people at one book; it keeps what each command printed."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.said, self.photos = folder, [], 0
        os.environ["COLOURMATCH_BOOK"] = str(folder / "week.sqlite")

    def call(self, by: str, *arguments: str, code: int = 0) -> Any:
        """The JSON of one call by one person, which has to end with a code."""
        os.environ["COLOURMATCH_BY"] = by
        out, errors = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
            ended = run([*arguments, "--json"])
        self.said.append(f"{by}$ colourmatch {' '.join(arguments)}\n{errors.getvalue()}")
        if ended != code:
            raise SystemExit(f"{' '.join(arguments)} ended with {ended}: {errors.getvalue()}")
        return json.loads(out.getvalue())

    def tint(self, by: str, lot: int, kitchen: Kitchen) -> tuple[Kitchen, int, float]:
        """Photograph and pour as advised until the stop: the batch, how many photos, the true difference then."""
        for count in range(1, MOST_PHOTOS + 1):
            self.photos += 1
            drawn = draw_demo_photo(kitchen, self.photos)
            path = save_photo(drawn, self.folder / f"week-{self.photos}.jpg")
            advice = self.call(by, "lot", "photo", str(lot), str(path))["advice"]
            if advice["action"] == "stop":
                return kitchen, count, drawn.truth["delta_e_2000"]
            for dose in advice["doses"]:
                kitchen = self.pour(by, lot, dose["measured"], kitchen)
        return kitchen, MOST_PHOTOS, drawn.truth["delta_e_2000"]

    def pour(self, by: str, lot: int, measured: dict[str, Any], kitchen: Kitchen, *sure: str) -> Kitchen:
        """Put a dose in, as its hand measures it, and write it down."""
        quantity, unit = measured["quantity"], measured["unit"]
        self.call(by, "lot", "add", str(lot), "--stock", "red", f"--{unit}", f"{quantity:g}", *sure)
        # a scale and a syringe tell the truth of the volume, a count does not
        return kitchen.add_drops(quantity if unit == "drops" else quantity / TRUE_DROP_ML)


def play(folder: Path) -> None:
    """The week, its figures and its checks."""
    week = Week(folder)
    week.call("AB", "stock", "add", "red", "--colourant", "E129", "--strength-g-per-100ml", "1", "--supplier",
              "A supplier", "--batch", "K-1207", "--made-on", "2026-11-23", "--use-by", "2027-11-23", "--amount-ml", "10")  # fmt: skip
    week.call("AB", "lot", "new", "--name", "Bitter orange", "--number", "26-041", "--volume", "900 ml", "--stock", "red",
              "--ceiling-mg-per-l", "60", "--dilution", "5", "--jurisdiction", "EU", "--ingredients",
              "water, sugar, orange peel, colours", "--producer", "Invented Drinks")  # fmt: skip
    rows = [("26-041", "AB", None, *week.tint("AB", 1, Kitchen())[1:])]
    week.call("AB", "lot", "close", "1", "--sure")

    second = week.call("CD", "lot", "new", "--like", "26-041", "--number", "26-042")
    first = second["first_dose"][0]
    kitchen = week.pour("AB", 2, {"unit": "drops", "quantity": first["step_drops"]}, Kitchen())
    week.call("CD", "lot", "add", "2", "--stock", "red", "--drops", "5", code=2)  # AB's dose is seen first
    rows.append(("26-042", "CD", first, *week.tint("CD", 2, kitchen)[1:]))
    week.call("CD", "lot", "close", "2", "--sure")
    left = week.call("CD", "stock", "list")["stocks"][0]

    week.call("CD", "stock", "refill", "red", "--batch", "K-1300", "--amount-ml", "50")
    third = week.call(
        "AB", "lot", "new", "--like", "26-042", "--number", "26-043", "--volume", "5 l", "--hand", "grams"
    )
    scaled = third["first_dose"][0]
    step = {"unit": "grams", "quantity": round(scaled["step_grams"], 2)}
    kitchen = week.pour("AB", 3, step, Kitchen(5000, 0, 5000))
    rows.append(("26-043", "AB", scaled, *week.tint("AB", 3, kitchen)[1:]))
    week.call("AB", "lot", "close", "3", "--sure")

    recalled = week.call("AB", "stock", "trace", "K-1207")
    for lot in (1, 2, 3):
        week.call("AB", "lot", "sheet", str(lot), "--out", str(folder / f"sheet-{lot}.pdf"))
        week.call("AB", "lot", "label", str(lot), "--out", str(folder / f"label-{lot}.pdf"))
    log = week.call("AB", "lot", "log", "--since", "today")["entries"]
    (folder / "week.txt").write_text("\n".join(week.said), encoding="utf-8")
    report(rows, recalled, left, log)


def report(rows: list[Any], recalled: dict[str, Any], left: dict[str, Any], log: list[dict[str, Any]]) -> None:
    """The figures of the week; it ends with 1 where one of them is wrong."""
    wrong = []
    print("lot     by  first dose, drops   true dose  photos  CIEDE2000 in truth at the stop")
    for number, by, dose, photos, truth in rows:
        volume = 5000 if number == "26-043" else 900
        true_drops = REFERENCE_MG_PER_L * volume / 1000 / (0.92 * 10 * TRUE_DROP_ML)
        told = "-" if dose is None else f"{dose['drops']:.0f} ({dose['low']:.0f} to {dose['high']:.0f})"
        print(f"{number}  {by}  {told:18}  {true_drops:9.0f}  {photos:6}  {truth:.2f}")
        if dose is not None and not dose["low"] <= true_drops <= dose["high"]:
            wrong.append(f"the interval of the first dose of {number} misses the true dose")
    held = [lot["number"] for lot in recalled["lots"]]
    print(
        f"recall of {recalled['batch']}: lots {', '.join(held)}; left of the bottle by the entries {left['left_ml']} ml"
    )
    people = {by: sum(one["by"] == by for one in log) for by in ("AB", "CD")}
    print(f"the log of the day: {len(log)} lines, {people}")
    if held != ["26-041", "26-042"]:
        wrong.append("the recall names other lots than those that hold the batch")
    if min(people.values()) == 0:
        wrong.append("the log names one person only")
    if wrong:
        raise SystemExit("; ".join(wrong))


if __name__ == "__main__":
    if len(sys.argv) > 1:
        Path(sys.argv[1]).mkdir(parents=True, exist_ok=True)
        play(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as place:
            play(Path(place))
