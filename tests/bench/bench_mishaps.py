"""Lots in which one thing goes wrong by hand: what it costs, whether it is named, and what lots without it lose.

usage: python tests/bench/bench_mishaps.py [LOTS] [--seed S] [--kinds KIND ...] [--fields] [--verbose]

The lots are those of bench_dosing.py. In each one act is not as it was noted: the glasses stand the other way round, batch
and reference are thinned unequally, a dose goes in twice or not at all, is miscounted by a fifth to a half, comes from
another bottle, is not stirred in before the photo, an older photo is sent after it, or the stock has half or twice its
label's strength. The same lot is played without it. The maker does what the advice says: stirs and photographs again,
answers a question truly, blends back untinted batch where the advice says so. Harm: the lot ends more than 0.5 CIEDE2000
beyond the same lot without. Named: within two photos of it the true cause, or the act that mends it, is among those named
(of all lots of the kind, and of those that were harmed). Silent: harmed, and nothing was said. Over its ceiling: more than
5 % more colourant is really in than the ceiling allows, ever; and after a dose that was advised when a photo already showed
the mishap.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from bench_dosing import KINDS, Case, Photo, draw_case, note_dose, photograph_glasses
from drawn.liquids import dye_absorbance

from colourmatch.colour.difference import ciede2000
from colourmatch.dosing.advice import advise
from colourmatch.dosing.doubt import Cause, chance_as_noted, find_doubt
from colourmatch.dosing.problem import Problem, no_nearer
from colourmatch.liquid.learn import fit_lot
from colourmatch.liquid.lot_model import expect_stock
from colourmatch.liquid.mishaps import Bottle, Dosed, think_of
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.liquid.observations import Shot
from colourmatch.liquid.stock import Addition, BatchState, Stock

MISHAPS = (
    "bottle", "unstirred", "half", "double", "twice", "nothing", "thinned", "swapped", "miscounted", "late",
)  # fmt: skip
#: The codes that name each, or whose act mends it.
NAMES = {
    "bottle": {"other-bottle"},
    "unstirred": {"not-stirred", "photo-before-addition"},
    "half": {"label", "dose-amount", "not-stirred"},
    "double": {"label", "dose-amount"},
    "twice": {"dose-amount", "label"},
    "nothing": {"dose-missing", "not-stirred", "photo-before-addition"},
    "thinned": {"thinned-unequally"},
    "swapped": {"glasses-swapped"},
    "miscounted": {"dose-amount", "label", "not-stirred"},
    "late": {"photo-before-addition", "not-stirred"},
}
OTHERS = (("yellow", "E102"), ("blue", "E133"), ("second red", "E122"))


@dataclass
class Dose:
    """One dose as noted: drops (0 when it is void) of which stock."""

    entry: int
    drops: float
    stock: int = 0


@dataclass
class Shown:
    """One photo: what was read."""

    made: Photo
    thinned: float
    aside: bool = False
    swapped: bool = False


@dataclass
class Kept:
    """The part of the batch that stayed when the rest was set aside and filled up."""

    part: float


@dataclass
class Lot:
    """A lot: what was noted, in order (doses, photos, ml of untinted batch, the part that was kept when the rest was filled
    up with it), its stocks, and what the batch really holds."""

    case: Case
    stocks: list[Stock]
    events: list[Dose | Shown | float | Kept] = field(default_factory=list)
    held: np.ndarray = field(default_factory=lambda: np.zeros(81))
    volume_ml: float = 0.0

    def pour(self, ml: float, spectrum: np.ndarray) -> None:
        """Something goes in: ml of it, and its absorbance per cm."""
        self.held = (self.held * self.volume_ml + spectrum * ml) / (self.volume_ml + ml)
        self.volume_ml += ml

    def true_difference(self) -> float:
        path = self.case.path_cm
        labs = [absorbance_to_lab(a * path) for a in (self.case.reference, self.held)]
        return float(ciede2000(*labs))


@dataclass
class Noted:
    """What the notes say: the shots that count, doses beside them, the batch now, photos of this state."""

    shots: list[Shot]
    doses: list[Dosed]
    state: BatchState
    here: int
    seen: list[float]


def read_notes(lot: Lot) -> Noted:
    state, kept = BatchState(lot.case.volume_ml), 1.0
    shots: list[Shot] = []
    volumes: list[float] = []
    poured: list[tuple[int, int, Addition, int, float]] = []
    parts: list[float] = []  # how much of what was in at first is left at each shot
    seen: dict[int, list[float]] = {}
    changes = here = 0
    for event in lot.events:
        if isinstance(event, Dose) and event.drops:
            added = Addition.from_drops(lot.stocks[event.stock], event.drops)
            state, changes, here = state.add(added), changes + 1, 0
            poured.append((event.entry, event.stock, added, len(shots), kept))
        elif isinstance(event, Kept):
            state, kept, changes, here = state.filled_up(event.part), kept * event.part, changes + 1, 0
            seen.clear()
        elif isinstance(event, float):
            state, changes, here = state.add_untinted(event), changes + 1, 0
            seen.clear()
        elif isinstance(event, Shown) and not event.aside:
            made, path = event.made, 1 / event.thinned
            held = tuple(state.concentration_mg_per_l(s) for s in lot.stocks)
            sides = (made.batch, made.reference, made.gap)
            if event.swapped:
                sides = (made.reference, made.batch, replace(made.gap, lab=-made.gap.lab))
            shots.append(Shot(*sides[0], *sides[1], held, state.base_share, "one", path, path, sides[2]))
            volumes.append(state.volume_ml)
            parts.append(kept)
            seen.setdefault(changes, []).append(float(ciede2000(made.reference[0], made.batch[0])))
            here += 1
    doses = []
    for entry, k, added, first, then in poured:
        one, left = note_dose(entry, added, first, volumes, state.volume_ml), np.array(parts) / then
        now = kept / then
        doses.append(
            Dosed(entry, k, one.mg_per_l * left, one.mg_per_l_now * now, one.ml_per_l * left, one.ml_per_l_now * now)
        )  # fmt: skip
    return Noted(shots, doses, state, here, [float(np.mean(x)) for x in seen.values()])


@dataclass
class Played:
    """How a lot went: CIEDE2000 at the end, photos, photos after the mishap until it was named, doubts raised."""

    end: float
    photos: int
    reason: str
    named_after: int | None
    doubts: int
    said: bool
    over: float
    over_seen: float
    lines: list[str]


def play(case: Case, mishap: str, seed: list[int], tolerance: float = 1.0, fields: bool = False) -> Played:
    """One lot from its first photo to its stop."""
    rng, hand = np.random.default_rng([*seed, 1]), np.random.default_rng([*seed, 2])
    when = 1 if mishap in ("half", "double") else int(hand.integers(1, 3))
    miscount, shown = float(hand.choice([0.5, 0.65, 0.8, 1.25, 1.5])), float(hand.uniform(0.25, 0.7))
    d = case.view.dilution
    wrong_parts, wrong_side = (
        float(hand.choice([d + 1, d - 1, 1.0], p=[0.4, 0.4, 0.2])),
        int(hand.integers(2)),
    )
    stock = case.stock
    shelf = [Stock(n, c, stock.strength_g_per_100ml) for n, c in OTHERS if c != stock.colourant]
    wrong = shelf[int(hand.integers(len(shelf)))]
    strength = case.strength * {"half": 0.5, "double": 2.0}.get(mishap, 1.0)
    lot = Lot(case, [stock], held=case.base, volume_ml=case.volume_ml)
    steps, thinned, named_after, doubts, done_at, said = 0, 1.0, None, 0, None, False
    over = over_seen = 0.0
    lines: list[str] = []
    asked: list[object] = []
    refused: set[tuple[str, int]] = set()
    before = lot.held

    def dose(drops: int) -> None:
        nonlocal done_at, steps, before
        before, steps = lot.held, steps + 1
        now = steps == when and done_at is None
        factor = {"twice": 2.0, "nothing": 0.0, "miscounted": miscount}.get(mishap, 1.0) if now else 1.0
        if now and mishap in ("twice", "nothing", "miscounted", "bottle", "half", "double"):
            done_at = photo + 1
        spectrum = stock.mg_per_ml * 1000 * strength * case.dye
        if now and mishap == "bottle":
            spectrum = wrong.mg_per_ml * 1000 * dye_absorbance(wrong.colourant)
        lot.pour(factor * drops * stock.drop_ml * case.drop, spectrum)
        lot.events.append(Dose(steps, drops))

    for photo in range(1, 15):
        both, fresh = [lot.held, case.reference], done_at is None
        if fresh and mishap in ("late", "unstirred") and steps >= when:
            part = 0.0 if mishap == "late" else shown
            both, done_at = [before + part * (lot.held - before), case.reference], photo
        if fresh and mishap == "swapped" and photo >= when:
            both, done_at = both[::-1], photo
        if fresh and mishap == "thinned" and photo >= when:
            both[wrong_side], done_at = both[wrong_side] * d / wrong_parts, photo
        made = photograph_glasses(case, np.stack(both) / thinned, rng, fields=fields)
        lot.events.append(Shown(made, thinned))
        noted = read_notes(lot)
        priors = [expect_stock(s.name, s.colourant) for s in lot.stocks]
        others = [Bottle(expect_stock(s.name, s.colourant), s.mg_per_ml) for s in shelf if s not in lot.stocks]
        mishaps = think_of(len(noted.shots), priors, noted.doses, dilution=d * thinned, shelf=others)
        about = [n for n, e in enumerate(e for e in lot.events if isinstance(e, Shown)) if not e.aside]
        mishaps = [
            m for m in mishaps if not {(m.code, m.entry), (m.code, about[m.shot] if m.shot >= 0 else -1)} & refused
        ]
        fit = fit_lot(noted.shots, priors, case.view, mishaps=mishaps)
        problem = Problem(
            fit, tuple(lot.stocks), noted.state, (case.view,), case.ceiling, None, tolerance, noted.here, None,
            no_nearer(noted.seen, len(noted.shots)), tuple(s.name for s in lot.stocks[1:]),
        )  # fmt: skip
        doubt, advice = find_doubt(fit), advise(problem)
        causes = doubt.causes if doubt else ()
        told = [(c.code, round(c.chance, 3), c.shot, c.entry, c.part and round(c.part, 2), c.other) for c in causes]
        lines.append(
            f"   {photo} {mishap}{'*' if done_at == photo else ''} true {lot.true_difference():.2f} clear {chance_as_noted(fit):.3f} {told} "
            f"{advice.action} {advice.reason} {advice.now and round(advice.now.value, 2)} {[x.drops for x in advice.doses]} misfit {fit.misfit:.2f}"
        )
        doubts += bool(doubt)
        said = said or bool(doubt) or bool(advice.surprises)
        named = {c.code for c in causes} | ({"label"} if advice.surprises else set())
        if done_at is not None and done_at <= photo and named_after is None and named & NAMES.get(mishap, set()):
            named_after = photo - done_at + 1
        key = tuple((c.code, c.shot, c.entry) for c in causes)
        if doubt and key not in asked:
            asked.append(key)
            if doubt.dominates:
                _answer(causes[0], mishap, lot, about, refused, shelf)
            continue  # another photo
        if advice.action == "stop":
            if advice.reason == "past" and advice.rescue and advice.rescue.untinted_ml > 0 and photo < 13:
                if advice.rescue.set_aside_ml:
                    kept = 1 - advice.rescue.set_aside_ml / noted.state.volume_ml
                    lot.held = case.base + (lot.held - case.base) * kept
                    lot.events.append(Kept(kept))
                    lines.append(f"      filled up, kept {kept:.2f}")
                    continue
                ml = float(min(advice.rescue.untinted_ml, case.volume_ml))
                lot.pour(ml, case.base)
                lot.events.append(ml)
                lines.append(f"      blended {ml:.0f}")
                continue
            break
        for one in advice.doses:
            dose(one.drops)
        if case.ceiling is not None and advice.doses:
            filled = _red(lot) / case.ceiling
            over = max(over, filled)
            if mishap == "" or (done_at is not None and done_at <= photo):
                over_seen = max(over_seen, filled)
    return Played(
        lot.true_difference(), photo, advice.reason if advice.action == "stop" else "unfinished", named_after, doubts, said, over, over_seen, lines,
    )  # fmt: skip


def _red(lot: Lot) -> float:
    """mg/l of the lot's own dye that is really in: the batch less its base, by least squares on the dye."""
    case = lot.case
    amounts = np.linalg.lstsq(np.stack([case.base, case.dye], axis=1), lot.held, rcond=None)[0]
    return float(amounts[1])


def _answer(
    cause: Cause, mishap: str, lot: Lot, about: list[int], refused: set[tuple[str, int]], shelf: list[Stock]
) -> None:
    """The maker answers truly: what is said to be wrong is put right if it was, else refused."""
    photos = [e for e in lot.events if isinstance(e, Shown)]
    of_dose = cause.code in ("dose-amount", "dose-missing", "other-bottle")
    if cause.code not in NAMES.get(mishap, ()):
        refused.add((cause.code, cause.entry if of_dose else about[cause.shot]))
        return
    shown = photos[about[cause.shot]]
    dose = next((e for e in lot.events if isinstance(e, Dose) and e.entry == cause.entry), None)
    if cause.code == "glasses-swapped":
        shown.swapped = not shown.swapped
    elif cause.code == "dose-amount":
        dose.drops = round(dose.drops * cause.part)
    elif cause.code == "dose-missing":
        dose.drops = 0
    elif cause.code == "other-bottle":
        lot.stocks.append(next(s for s in shelf if s.name == cause.other))
        dose.stock = len(lot.stocks) - 1
    else:
        shown.aside = True


def play_one(seed: int, fields: bool, task: tuple[str, int]) -> Played:
    mishap, k = task
    kinds = [kind for kind in KINDS if kind != "past"]
    case = draw_case(np.random.default_rng([seed, k]), kinds[k % len(kinds)])
    return play(case, mishap, [seed, k], fields=fields)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("lots", type=int, nargs="?", default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", nargs="*", default=list(MISHAPS))
    parser.add_argument("--fields", action="store_true")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    tasks = [(m, k) for m in ("", *args.kinds) for k in range(args.lots)]
    with ProcessPoolExecutor(2) as pool:
        played = pool.map(partial(play_one, args.seed, args.fields), tasks, chunksize=2)
        done = dict(zip(tasks, played, strict=True))
    without = [done["", k] for k in range(args.lots)]
    for mishap in args.kinds:
        some = [(k, done[mishap, k], without[k]) for k in range(args.lots)]
        harm = [p.end > w.end + 0.5 for _, p, w in some]
        named = [p.named_after is not None and p.named_after <= 2 for _, p, _ in some]
        silent = [h and not p.said for h, (_, p, _) in zip(harm, some, strict=True)]
        of_harmed = [n for n, h in zip(named, harm, strict=True) if h]
        over, seen, alone = ([getattr(x, of) > 1.05 for x in lots] for of, lots in (
            ("over", [p for _, p, _ in some]), ("over_seen", [p for _, p, _ in some]), ("over", [w for _, _, w in some]),
        ))  # fmt: skip
        print(
            f"{mishap:11} {len(some):3} lots  harmed {np.mean(harm):.2f}  silent {np.mean(silent):.2f}  named within two photos {np.mean(named):.2f}"
            f" (of harmed {sum(of_harmed)} of {len(of_harmed)})"
            f"  ends {np.median([p.end for _, p, _ in some]):.2f}  photos {np.mean([p.photos for _, p, _ in some]):.1f} (without {np.mean([w.photos for _, _, w in some]):.1f})"
            f"  over ceiling {sum(over)}, by a dose after it showed {sum(seen)}, without the mishap {sum(alone)}"
        )
        if args.verbose:
            for k, p, w in some:
                print(
                    f" lot {k}: {p.end:.2f} without {w.end:.2f} {p.reason} named {p.named_after} "
                    f"over {p.over:.2f} seen {p.over_seen:.2f} without {w.over:.2f}"
                )
                print("\n".join(p.lines))
    photos, doubts = sum(w.photos for w in without), sum(w.doubts for w in without)
    print(
        f"without a mishap: {len(without)} lots, {photos} photos, doubts {doubts} ({100 * doubts / photos:.1f} % of photos), "
        f"ends {np.mean([w.end for w in without]):.2f}, over ceiling {sum(w.over > 1.05 for w in without)}"
    )


if __name__ == "__main__":
    main()
