"""What a trial says of its batch: its dose scaled, and what a later correction of the batch means for it."""

from __future__ import annotations

import math

import numpy as np

from colourmatch.book.entries import AdditionEntry, LotStory, VolumeEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import Figure
from colourmatch.facts import K_95
from colourmatch.liquid.stock import BatchState
from colourmatch.records import Record, kept, pick, several
from colourmatch.words.figures import tell_drops, tell_interval, tell_ml, tell_number

#: What a trial's figures are unsure by, beside the label: half a drop of miscount, 5 % between single drops
#: (liquid/stock.py), and 1.5 % of each of the two volumes (a measuring jug; common practice, no source).
_MISCOUNT_DROPS, _SINGLE_DROP_REL_SD, _VOLUME_REL_SD = 0.5, 0.05, 0.015


class ScaledDose(Record):
    """A stock dosed in a trial: what went in there, and the drops with their 95 % range that the batch still takes."""

    stock: str = kept()
    trial_drops: float = kept()
    trial_ml: float = kept()
    mg_per_l: float = kept()
    drops: int = kept()
    low: int = kept()
    high: int = kept()
    ml: float = kept()


class Mismatch(Record):
    """What a trial held at its beginning by its batch as put right since, where its own record, `entry`, says otherwise."""

    stock: str = kept()
    entry: int | None = kept()
    mg: float = kept()
    written_mg: float = kept()
    text: str = kept()


class Trial(Record):
    """A trial of a lot, and what it says for the batch; delta_e_2000: of its last photo."""

    lot: int = kept()
    of_lot: int = kept()
    number: str = kept()
    name: str = kept()
    closed: bool = kept()
    taken_ml: float | None = kept()
    volume_ml: float = kept()
    poured_back: bool = kept()
    photos: int = kept()
    delta_e_2000: Figure | None = kept(Figure.from_json)
    doses: tuple[ScaledDose, ...] = kept(several(ScaledDose))
    corrected: tuple[Mismatch, ...] = kept(several(Mismatch))
    text: str = kept()


def describe_trials(book: LotBook, story: LotStory) -> list[Trial]:
    """The trials of a lot, each with its dose scaled to the batch as it is now; a trial tells of itself alone."""
    if story.lot.trial_of is not None:
        return [_describe(book, story, book.lots.story(story.lot.trial_of))]
    return [_describe(book, book.lots.story(trial.id), story) for trial in book.trials.of(story.lot.id)]


def open_trials(book: LotBook, lot: int, *, closed: bool = False) -> dict[int, str]:
    """A sentence for each open trial of a lot, by id; closed: nothing goes back into it any more."""
    first = "" if closed else "pour the trial back first, or "
    what_now = f"Nothing is poured back into a closed lot: {first}close it by itself."
    return {
        trial.id: f"Lot {trial.id}, a trial taken from this one, is still open. {what_now}"
        for trial in book.trials.of(lot)
        if not trial.closed
    }


def _describe(book: LotBook, trial: LotStory, parent: LotStory) -> Trial:
    volumes = [e for e in parent.effective if isinstance(e, VolumeEntry) and e.trial_lot_id == trial.lot.id]
    taken = next((entry for entry in volumes if entry.kind == "sample"), None)
    corrected = () if trial.lot.closed or taken is None else _corrected_since(trial, parent, taken)
    photo = next((p for p in reversed(trial.counting_photos) if p.measurement.delta_e_2000), None)
    told = Trial(
        trial.lot.id, parent.lot.id, trial.lot.label, **pick(trial.lot, "name", "closed"),
        taken_ml=round(taken.ml, 3) if taken else None, volume_ml=round(trial.state().volume_ml, 3),
        poured_back=parent.poured_back(trial.lot.id) is not None, photos=len(trial.photos),
        delta_e_2000=photo.measurement.delta_e_2000 if photo else None, doses=scale_doses(trial, parent.state()),
        corrected=corrected,
    )  # fmt: skip
    stale = photo is not None and any(entry.id > photo.id for entry in trial.additions)
    said = _tell(told, parent.state().volume_ml, stale=stale)
    return told.having(text=" ".join([said, *(c.text for c in corrected)]))


#: Amounts in two records that are nearer than this are the same, so much of the larger.
_SAME_AMOUNT = 0.002


def _corrected_since(trial: LotStory, parent: LotStory, taken: VolumeEntry) -> tuple[Mismatch, ...]:
    """What a trial's record of its beginning says otherwise than its batch's does now, after corrections."""
    then, came, out = parent.state(before=taken), trial.came_along, []
    carried = [entry for entry in trial.additions if entry.id in came]
    for name in sorted({*then.mg, *(entry.stock for entry in carried)}):
        right = then.mg.get(name, 0.0) * taken.ml / then.volume_ml
        own = [entry for entry in carried if entry.stock == name]
        written = math.fsum(entry.mg for entry in own)
        if abs(right - written) <= _SAME_AMOUNT * max(right, written):
            continue
        text = (
            f"The batch was put right after this trial was taken: at its beginning the trial holds {right:.3g} mg of {name}, "
            f"and its record says {written:.3g}."
        )
        if own and right > 0:
            ml = right / (10 * own[0].strength_g_per_100ml)
            text += f" Put its entry {own[0].id} right, to {ml:.4g} ml."
        elif own:
            text += f" Put its entry {own[0].id} right: it did not happen."
        else:
            text += " Pour it back and take another, or finish it as it is and trust its photo of the batch alone."
        out.append(Mismatch(name, own[0].id if own else None, round(right, 4), round(written, 4), text))
    return tuple(out)


def scale_doses(trial: LotStory, batch: BatchState) -> tuple[ScaledDose, ...]:
    """For each stock dosed in a trial: what went in there, and what the batch as it is now still takes of it.

    The batch is brought to the trial's concentrations c: m_k + s_k x_k = c_k (V + sum of x_j that grow the batch),
    with m_k mg of stock k in V ml already, and s_k mg in a ml of it; linear in the x. Drops are those of the stock's
    dropper as it was in the trial, so that the drop's own error is the same in both and falls out. What remains:
    relative variance (0.5 / n)^2 + 0.05^2 / n + 2 x 0.015^2, n drops in the trial (JCGM 100:2008, 5.1).
    """
    state = trial.state()
    last = {entry.stock: entry for entry in trial.additions}
    came = trial.came_along
    own = dict.fromkeys(last, 0.0)  # dosed in the trial itself, without what came along from the batch
    for entry in trial.additions:
        own[entry.stock] += 0.0 if entry.id in came else entry.ml
    names = [name for name in last if state.mg.get(name, 0.0) > 0 and own[name] > 0]
    if not names:
        return ()
    strength = np.array([10 * last[name].strength_g_per_100ml for name in names])
    grows = np.array([last[name].made_in != "batch" for name in names], float)
    wanted = np.array([state.mg[name] for name in names]) / state.volume_ml
    held = np.array([batch.mg.get(name, 0.0) for name in names])
    missing = np.linalg.solve(np.diag(strength) - np.outer(wanted, grows), wanted * batch.volume_ml - held).clip(0.0)
    return tuple(
        _scaled(last[name], own[name], float(ml), float(wanted[k] * 1000))
        for k, (name, ml) in enumerate(zip(names, missing, strict=True))
    )


def _scaled(entry: AdditionEntry, trial_ml: float, batch_ml: float, mg_per_l: float) -> ScaledDose:
    drops, wanted = trial_ml / entry.drop_ml, batch_ml / entry.drop_ml
    counted = math.hypot(_MISCOUNT_DROPS / drops, _SINGLE_DROP_REL_SD / math.sqrt(drops))
    sd = math.hypot(counted if entry.unit == "drops" else 0.0, math.sqrt(2) * _VOLUME_REL_SD)
    low, high = math.floor(wanted * max(1 - K_95 * sd, 0.0)), math.ceil(wanted * (1 + K_95 * sd))
    there = round(drops, 1), round(trial_ml, 4), round(mg_per_l, 3)
    return ScaledDose(entry.stock, *there, round(wanted), low, high, round(batch_ml, 3))


def _tell(told: Trial, batch_ml: float, *, stale: bool) -> str:
    """What a trial says for the batch, in words; stale: its last photo is from before its last dose."""
    seen = told.delta_e_2000
    unseen = "no photo since its last dose" if stale else "no photo yet"
    how_far = f"difference {tell_interval(seen)}" if seen and not stale else unseen
    head = f"Trial of {tell_ml(told.taken_ml or told.volume_ml)} (lot {told.lot}), {how_far}"
    head += ", poured back" if told.poured_back else ""
    if not told.doses:
        return f"{head}: nothing was dosed in it yet."
    said = []
    for dose in told.doses:
        there = f" are {dose.drops} ({dose.low} to {dose.high}) in the {tell_number(batch_ml, 0)} ml of the batch"
        already = ", and the batch holds as much in a litre already"
        drops = f"{tell_drops(dose.trial_drops)} of {dose.stock}"
        said.append(f"{drops} there{there if dose.drops else already}")
    low = " and ".join(f"{dose.low} of {dose.stock}" for dose in told.doses if dose.low)
    first = f" Put in the lower figure first ({low}), then photograph the batch."
    return f"{head}: {' and '.join(said)}.{first if low and not stale and not told.poured_back else ''}"
