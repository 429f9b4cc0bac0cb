"""The whole job on drawn photos: a maker follows the advice of the lot book from the first photo to the stop.

usage: python tests/bench/bench_whole.py [LOTS] [--seed S] [--tolerance T] [--moving | --still] [--fields] [--verbose] [--json]

The lots are those of bench_dosing.py (base, dye, another dye, wrong label and drop, ceilings, batches already past).
Here every photo is drawn as pixels by the generator (a phone and lamps for each lot; pose, gradients, shadows, glasses,
glints and bubbles for each photo; a liquid stays as hazy as it is until the maker filters it, as told), written as a JPEG, read, recorded in a book and advised on as `colourmatch lot photo` does.
"""

from __future__ import annotations

import argparse
import json
import re
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from bench_dosing import Case, Outcome, Told, draw_case, report, true_difference
from drawn import save_photo
from vary import WARM_LIGHTS, Take, vary

from colourmatch.book.lot_book import open_book
from colourmatch.colour.difference import Figure
from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.workflow.lot import record_photos

_MOST_PHOTOS = 14
_KINDS = ["plain"] * 5 + ["other dye"] * 2 + ["two dyes", "ceiling", "past"]


@dataclass(frozen=True)
class Way:
    """How the photos of all lots are taken: with other lamps in every photo or with light that falls as it did, on card 2."""

    moving: bool = False
    still: bool = False
    fields: bool = False


def _take(lot: int, photo: int, fields: bool) -> Take:
    """A varied photo in daylight or a good LED."""
    some = (vary(1_000_000 + 1000 * lot + 50 * photo + k, fields=fields) for k in range(50))
    return next(take for take in some if take.light.name not in WARM_LIGHTS)


@dataclass(frozen=True)
class State:
    """The lot's glasses as they are: drops that are in, how both are thinned, the haze of each."""

    drops: int
    dilution: float
    haze: dict[str, float]


def draw_photo(case: Case, state: State, seeds: tuple[int, int], folder: Path, way: Way) -> Path:
    """The lot's glasses as they are now, through the lot's phone in a new place; seeds: lot, photo.

    The card and the lamps stay the same within a lot and how these fall changes; `way.moving`: every photo has other lamps,
    `way.still`: the light falls on the card as in the first.
    """
    lot, photo = seeds
    first = _take(lot, 0, way.fields)
    phone, lamps = vary(100_000 + lot).phone, first.light
    take = _take(lot, photo, way.fields)
    if way.fields:
        take = replace(take, printer=first.printer)
    if way.still:
        take = replace(take, light=replace(lamps, shadow=None), printer=first.printer)
    elif not way.moving:
        light = replace(
            take.light, spectrum=lamps.spectrum, name=lamps.name, second_spectrum=lamps.second_spectrum,
            second_share=take.light.second_share if lamps.second_spectrum is not None else 0.0,
        )  # fmt: skip
        take = replace(take, light=light)
    rng = np.random.default_rng([lot, photo])
    ml = state.drops * case.stock.drop_ml * case.drop
    volume = case.volume_ml + ml
    mg_per_l = ml * case.stock.mg_per_ml * case.strength / volume * 1000
    batch = case.volume_ml / volume * case.base + mg_per_l * case.dye
    path = case.view.depth_mm / 10 / state.dilution
    once = np.stack([batch, case.reference]) * path * (1 + rng.normal(0, 0.015, (2, 1)))
    scene = replace(
        take.scene, batch=10 ** -once[0], reference=10 ** -once[1], blank=np.ones(WAVELENGTHS_NM.size), haze=state.haze
    )
    rendered = replace(take, phone=phone, scene=scene).render()
    return save_photo(rendered, folder / f"photo-{photo}.jpg")


def play(lot: int, seed: int, tolerance: float, way: Way) -> tuple[Outcome, str, int]:
    """One lot from its first photo to its stop, what was advised, a line each, and how often a photo was asked for again."""
    rng = np.random.default_rng([seed, lot])
    case = draw_case(rng, _KINDS[lot % len(_KINDS)])
    lines, first_error, seconds, drops, again = [], np.nan, 0.0, case.start_drops, 0
    free = true_difference(case, np.arange(0, 4000))
    dilution, told_near, doubts = case.view.dilution, [], 0
    haze = dict(_take(1000 * seed + lot, 0, way.fields).scene.haze)
    with (
        tempfile.TemporaryDirectory() as place,
        open_book(Path(place) / "book.sqlite") as book,
    ):
        stock = case.stock
        book.stocks.add("red", stock.colourant, stock.strength_g_per_100ml, drop_ml=stock.drop_ml)
        number = book.lots.begin(
            "Lot", case.volume_ml, ["red"], ceiling_mg_per_l=case.ceiling,
            depth_mm=case.view.depth_mm, dilution=case.view.dilution, tolerance=tolerance,
        ).id  # fmt: skip
        if drops:
            book.additions.add(number, "red", drops=drops)
        for photo in range(1, _MOST_PHOTOS + 1):
            state = State(drops, dilution, haze)
            path = draw_photo(case, state, (1000 * seed + lot, photo), Path(place), way)
            start = time.perf_counter()
            result = record_photos(book, number, [(path.read_bytes(), path.name)], view={"dilution": dilution})[
                0
            ].to_json()
            seconds = max(seconds, time.perf_counter() - start)
            advice = result["advice"]
            if advice and advice["now"] and dilution == case.view.dilution:
                true = float(true_difference(case, np.array([drops]))[0])
                told_near.append(Told(true, Figure(**advice["now"]), Figure(**result["delta_e_2000"])))
            said = [*(flag["text"] for flag in result["quality"]), (advice or {}).get("text", "")]
            told = [re.search(r"made up to ([\d.]+) in all", text) for text in said]
            dilution = max([dilution, *(float(found[1]) for found in told if found)])
            haze |= {spot: 0.0 for text in said for spot in re.findall(r"Filter the (\w+)", text)}
            if advice is None:  # refused: the maker does what it says and photographs again
                lines.append(f"   {photo} refused: {result['error']}")
                again += 1
                continue
            doubts += advice["question"] is not None
            if photo == 1 and case.kind == "plain" and advice["to_match"]:
                first_error = advice["to_match"][0]["drops"] / max(int(free.argmin()), 1) - 1
            read = " ".join(f"{result['delta_e_2000'][part]:.2f}" for part in ("value", "low", "high"))
            lines.append(
                f"   {photo} drops {drops} true {true_difference(case, np.array([drops]))[0]:.2f} "
                f"read {read} "
                f"{','.join(q['code'] for q in result['quality']) or 'no flag'} "
                f"{(advice['question'] or {}).get('text', '')} {advice['action']} {advice['reason']} {[dose['drops'] for dose in advice['doses']]}"
            )
            if advice["action"] == "stop":
                break
            again += advice["action"] == "rephotograph"
            for dose in advice["doses"]:
                added = dose["drops"] or round(dose["ml"] / stock.drop_ml)
                book.additions.add(number, "red", drops=added)
                drops += added
        held = book.lots.story(number).state().total_mg_per_l()
    # a ceiling is on dye: a stock stronger than its label leaves room for fewer drops
    fair = case.ceiling / max(1.0, case.strength * case.drop)
    room = max(int(fair / 1000 * case.volume_ml / stock.mg_per_drop), 1)
    best = float(true_difference(case, np.arange(case.start_drops, case.start_drops + room + 1)).min())
    outcome = Outcome(
        case, drops, photo, advice["reason"] if advice and advice["action"] == "stop" else "unfinished",
        float(true_difference(case, np.array([drops]))[0]), best, float(free.min()),
        bool(held > case.ceiling + 1e-9 and drops > case.start_drops), first_error, seconds, float(free.argmin()),
        told_near, doubts,
    )  # fmt: skip
    return outcome, "\n".join(lines), again


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("lots", type=int, nargs="?", default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tolerance", type=float, default=1.0)
    light = parser.add_mutually_exclusive_group()
    light.add_argument("--moving", action="store_true", help="other lamps in every photo")
    light.add_argument("--still", action="store_true", help="light that falls in every photo as in the first")
    parser.add_argument("--fields", action="store_true", help="photos of card 2, with colour fields")
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--json", action="store_true", help="print one object with the figures asked for, at the end")
    args = parser.parse_args()
    with ProcessPoolExecutor() as pool:
        one = partial(play, seed=args.seed, tolerance=args.tolerance, way=Way(args.moving, args.still, args.fields))
        played = list(pool.map(one, range(args.lots)))
    if args.verbose:
        for lot, (outcome, lines, _) in enumerate(played):
            case = outcome.case
            print(f"{lot} {case.kind} {case.stock.colourant} end {outcome.true_end:.2f} best {outcome.best:.2f}")
            print(lines)
    figures = report([outcome for outcome, _, _ in played], args.tolerance)
    steps = [outcome.photos - again for outcome, _, again in played]
    print(f"photos not asked for again (shadows, glints, doubt): median {np.median(steps):.0f}, most {max(steps)}")
    figures |= {"steps_median": float(np.median(steps)), "steps_most": int(max(steps))}
    if args.json:
        print(json.dumps(figures))


if __name__ == "__main__":
    main()
