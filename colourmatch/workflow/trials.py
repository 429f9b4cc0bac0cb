"""Trials: a measured part of a batch tinted by itself, and what was found there scaled to the batch.

A trial is a lot of its own that names the lot it was taken from; its additions and photos stay in it. The batch shrinks
by what was taken; poured back, the trial's colour comes in with it. Nothing that stands in either lot is changed.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from colourmatch.amounts import tell_drops
from colourmatch.book.checks import NAME_LENGTH, check_number, name_key, to_json
from colourmatch.book.entering import find_repeat, refuse_closed, refuse_other_entry
from colourmatch.book.entries import AdditionEntry, Lot, LotStory, VolumeEntry
from colourmatch.book.mending import Mending
from colourmatch.book.transactions import find_token, insert, refuse_other
from colourmatch.errors import ClosedError, InputError
from colourmatch.words.figures import tell_interval

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from colourmatch.book.lot_book import LotBook
    from colourmatch.liquid.stock import BatchState

#: Less than this is no trial but a sample: one drop would be more than the whole dose.
LEAST_ML = 10.0
#: Why the first additions of a trial stand there: they were in the batch.
CARRIED = "was in the batch when the trial was taken"
#: What a trial's figures are unsure by, beside the label: half a drop of miscount, 5 % between single drops
#: (liquid/stock.py), and 1.5 % of each of the two volumes (a measuring jug; common practice, no source).
_MISCOUNT_DROPS, _SINGLE_DROP_REL_SD, _VOLUME_REL_SD = 0.5, 0.05, 0.015


class Trying(Mending):
    """Trials of the lots of an open book."""

    def take_trial(
        self, lot: int | str, ml: float, *, entered_by: str | None = None, token: str | None = None
    ) -> Lot:
        """Take a measured part of a batch as a lot of its own, tinted alike and judged alike.

        ClosedError when the lot is closed; InputError for an amount that the batch does not hold, for less than
        LEAST_ML, and for a trial of a trial.
        """
        from colourmatch.book import tables as t

        taken = check_number("ml", ml)
        if taken < LEAST_ML:
            raise InputError(f"A trial of {taken:g} ml is too small to count drops in. Take 50 or 100 ml.")

        def act(connection: Connection) -> int:
            parent_id = self._lot_id(connection, lot, lock=True)
            if (known := find_token(connection, t.lots, token)) is not None:
                refuse_other(known, {"trial_of": parent_id})
                sample = find_repeat(connection, f"{token}-taken", parent_id, "sample")
                if sample is not None:
                    refuse_other_entry(connection, sample, {"ml": taken})
                return int(known["id"])
            refuse_closed(connection, parent_id)
            story = self._story(connection, parent_id)
            if story.lot.trial_of is not None:
                raise InputError(
                    f"Lot {parent_id} is a trial itself. Take the next one from its batch, lot {story.lot.trial_of}."
                )
            story.state().take_sample(taken)  # refuses what the batch does not hold
            trial_id = self._begin_trial(connection, story, taken, (entered_by, token))
            values = {"ml": taken, "returned": False, "void": False, "trial_lot_id": trial_id}
            once = token and f"{token}-taken"
            self._put(connection, parent_id, "sample", values, entered_by=entered_by, token=once)
            return trial_id

        return self.find_lot(self._write(act))

    def _begin_trial(
        self, connection: Connection, story: LotStory, taken: float, who: tuple[str | None, str | None]
    ) -> int:
        """The lot of a trial, with what was in the batch as its first additions."""
        from colourmatch.book import tables as t

        head, state, carried = story.lot, story.state(), _parts_of(story, taken)
        plain_ml = taken - sum(part["ml"] for part in carried if part["grows"])
        name = f"{head.name[: NAME_LENGTH - 24]}, trial of {taken:g} ml"
        target = head.target_lab or (None, None, None)
        trial_id = self._begin_lot(
            connection, name=name, name_key=name_key(name), volume_ml=plain_ml,
            ceiling_mg_per_l=head.ceiling_mg_per_l, depth_mm=head.depth_mm, dilution=head.dilution,
            tolerance=head.tolerance, already_mg_per_l=state.already_mg_per_l * taken / plain_ml,
            already_colourant=head.already_colourant, jurisdiction=head.jurisdiction,
            reference_id=head.reference_id, notes="", serving=to_json(head.serving), trial_of=head.id,
            entered_by=who[0], token=who[1],
            **dict(zip(("target_l", "target_a", "target_b"), target, strict=True)),
        )  # fmt: skip
        ids = {entry.name: entry.id for entry in story.stock_entries}
        for place, stock in enumerate(head.stocks):
            stock_id = ids.get(stock) or self._stock(connection, stock).id
            row = {"lot_id": trial_id, "position": place, "stock_id": stock_id}
            connection.execute(t.lot_stocks.insert(), row)
        for part in carried:
            self._put(connection, trial_id, "addition", part["row"], entered_by=who[0], reason=CARRIED)
        return trial_id

    def pour_back_trial(
        self, trial: int | str, *, entered_by: str | None = None, token: str | None = None
    ) -> VolumeEntry:
        """Pour what is left of a trial back into its batch, its colour with it.

        ClosedError when the batch is closed; InputError when the lot is no trial or went back already.
        """
        found = self.find_lot(trial)
        if found.trial_of is None:
            raise InputError(f"Lot {found.id} is no trial. Name the trial that is poured back.")
        parent_id = found.trial_of

        def act(connection: Connection) -> int:
            self._lot_id(connection, parent_id, lock=True)
            if (known := find_repeat(connection, token, parent_id, "poured-back")) is not None:
                refuse_other_entry(connection, known, {"trial_lot_id": found.id})
                return known.id
            refuse_closed(connection, parent_id)
            if find_poured_back(self._story(connection, parent_id), found.id) is not None:
                raise InputError(f"The trial, lot {found.id}, was poured back into lot {parent_id} already.")
            story = self._story(connection, found.id)
            volume_ml = story.state().volume_ml
            parts = _parts_of(story, volume_ml)
            plain_ml = volume_ml - sum(part["ml"] for part in parts if part["grows"])
            values = {"ml": plain_ml, "returned": False, "void": False, "trial_lot_id": found.id}
            entry_id = self._put(
                connection, parent_id, "poured-back", values, entered_by=entered_by, token=token
            )
            why = f"came back with the trial, lot {found.id}"
            for part in parts:
                self._put(connection, parent_id, "addition", part["row"], entered_by=entered_by, reason=why)
            self._story(connection, parent_id).state()
            return entry_id

        from colourmatch.book.rows import read_entry

        entry_id = self._write(act)
        with self._read() as connection:
            entry = read_entry(connection, entry_id)
        assert isinstance(entry, VolumeEntry)
        return entry

    def list_trials(self, lot: int | str) -> list[Lot]:
        """The trials taken from a lot, in order."""
        from sqlalchemy import select

        from colourmatch.book import tables as t
        from colourmatch.book.rows import read_lots

        with self._read() as connection:
            of_lot = t.lots.c.trial_of == self._lot_id(connection, lot)
            return read_lots(connection, select(t.lots).where(of_lot).order_by(t.lots.c.id))

    def _put(
        self,
        connection: Connection,
        lot_id: int,
        kind: str,
        values: dict[str, Any],
        *,
        entered_by: str | None = None,
        token: str | None = None,
        reason: str | None = None,
    ) -> int:
        """One entry inside a transaction that writes several."""
        from colourmatch.book import tables as t

        head = {"lot_id": lot_id, "kind": kind, "reason": reason, "entered_by": entered_by, "token": token}
        entry_id = insert(connection, t.lot_entries, **head)
        connection.execute(t.PARTS[kind].insert().values(entry_id=entry_id, **values))
        return entry_id


def _parts_of(story: LotStory, ml: float) -> list[dict[str, Any]]:
    """What of each stock is in so many ml of a batch as it is now, as rows of additions."""
    state, last = story.state(), {entry.stock: entry for entry in story.additions}
    parts = []
    for name, mg in state.mg.items():
        held = mg * ml / state.volume_ml
        entry = last[name]
        stock_ml = held / (10 * entry.strength_g_per_100ml)
        if stock_ml <= 0:
            continue
        counted = entry.unit == "drops"  # what was counted stays as unsure as its drop
        quantity = round(stock_ml / entry.drop_ml, 3) if counted else stock_ml
        row = {
            "stock_id": entry.stock_id, "quantity": quantity, "unit": "drops" if counted else "ml", "ml": stock_ml,
            "mg": held, "void": False,
            "strength_g_per_100ml": entry.strength_g_per_100ml, "drop_ml": entry.drop_ml,
            "strength_rel_sd": entry.strength_rel_sd, "drop_rel_sd": entry.drop_rel_sd,
            "density_g_per_ml": entry.density_g_per_ml,
        }  # fmt: skip
        parts.append({"row": row, "ml": stock_ml, "grows": entry.made_in != "batch"})
    return parts


def find_poured_back(parent: LotStory, trial_id: int) -> VolumeEntry | None:
    """The entry by which a trial went back into its batch, None while it did not."""
    for entry in parent.effective:
        if isinstance(entry, VolumeEntry) and entry.kind == "poured-back" and entry.trial_lot_id == trial_id:
            return entry
    return None


# ---- what a trial says of its batch --------------------------------------------------------------------------------


def finish_trial(
    book: LotBook, trial: int | str, *, entered_by: str | None = None, token: str | None = None
) -> VolumeEntry:
    """Close a trial, keep what it taught of its stocks, and pour the rest of it back into its batch."""
    from colourmatch.workflow.lot import close_lot

    head = book.find_lot(trial)
    if head.trial_of is not None and not head.closed:
        if book.find_lot(head.trial_of).closed:
            raise ClosedError(
                f"Lot {head.trial_of}, from which this trial was taken, is closed: nothing is poured back into it. "
                f"Close the trial, lot {head.id}, by itself."
            )
        text = f"Poured back into lot {head.trial_of}."
        once = token and f"{token}-close"
        close_lot(book, head.id, "trial", text, entered_by=entered_by, token=once)
    return book.pour_back_trial(head.id, entered_by=entered_by, token=token)


def describe_trials(book: LotBook, story: LotStory) -> list[dict[str, Any]]:
    """The trials of a lot, each with its dose scaled to the batch as it is now; a trial tells of itself alone."""
    if story.lot.trial_of is not None:
        return [_describe(book, story, book.lot_story(story.lot.trial_of))]
    return [_describe(book, book.lot_story(trial.id), story) for trial in book.list_trials(story.lot.id)]


def open_trials(book: LotBook, lot: int, *, closed: bool = False) -> list[dict[str, Any]]:
    """The trials of a lot that are still open, each with a sentence; when the lot is closed none goes back into it.

    closed: whether the lot has just been closed, and the trial can only be closed too.
    """
    what_now = (
        "Nothing is poured back into a closed lot: close it by itself."
        if closed
        else "Nothing is poured back into a closed lot: pour the trial back first, or close it by itself."
    )
    return [
        {"lot": trial.id, "text": f"Lot {trial.id}, a trial taken from this one, is still open. {what_now}"}
        for trial in book.list_trials(lot)
        if not trial.closed
    ]


def _describe(book: LotBook, trial: LotStory, parent: LotStory) -> dict[str, Any]:
    back = find_poured_back(parent, trial.lot.id)
    volumes = [e for e in parent.effective if isinstance(e, VolumeEntry) and e.trial_lot_id == trial.lot.id]
    taken = next((entry for entry in volumes if entry.kind == "sample"), None)
    doses = scale_doses(trial, parent.state())
    corrected = [] if trial.lot.closed or taken is None else _corrected_since(trial, parent, taken)
    photo = next((p for p in reversed(trial.counting_photos) if p.measurement.get("delta_e_2000")), None)
    seen = photo.measurement["delta_e_2000"] if photo else None
    told = {
        "lot": trial.lot.id,
        "of_lot": parent.lot.id,
        "number": trial.lot.label,
        "name": trial.lot.name,
        "closed": trial.lot.closed,
        "taken_ml": round(taken.ml, 3) if taken else None,
        "volume_ml": round(trial.state().volume_ml, 3),
        "poured_back": back is not None,
        "photos": len(trial.photos),
        "delta_e_2000": seen,
        "doses": doses,
        "corrected": corrected,
    }
    return told | {"text": " ".join([_tell(told, parent.state().volume_ml), *(c["text"] for c in corrected)])}


#: Amounts in two records that are nearer than this are the same, so much of the larger.
_SAME_AMOUNT = 0.002


def _corrected_since(trial: LotStory, parent: LotStory, taken: VolumeEntry) -> list[dict[str, Any]]:
    """What the trial's record of its beginning says otherwise than its batch's does now: corrected after it was taken.

    Nothing of the trial is changed by itself; each of these says which entry to put right, and to what.
    """
    then, came, out = parent.state(before=taken), came_along(trial), []
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
        out.append(
            {
                "stock": name, "entry": own[0].id if own else None,
                "mg": round(right, 4), "written_mg": round(written, 4), "text": text,
            }
        )  # fmt: skip
    return out


def came_along(trial: LotStory) -> set[int]:
    """The entries that came along from the batch, as they were put right since."""
    came: set[int] = set()
    for entry in trial.events:  # a correction comes after what it corrects
        if entry.replaces_id in came or (entry.replaces_id is None and entry.reason == CARRIED):
            came.add(entry.id)
    return came


def scale_doses(trial: LotStory, batch: BatchState) -> list[dict[str, Any]]:
    """For each stock dosed in a trial: what went in there, and what the batch as it is now still takes of it.

    The batch is brought to the trial's concentrations c: m_k + s_k x_k = c_k (V + sum of x_j that grow the batch),
    with m_k mg of stock k in V ml already, and s_k mg in a ml of it; linear in the x. Drops are those of the stock's
    dropper as it was in the trial, so that the drop's own error is the same in both and falls out. What remains:
    relative variance (0.5 / n)^2 + 0.05^2 / n + 2 x 0.015^2, n drops in the trial (JCGM 100:2008, 5.1).
    """
    import numpy as np  # here, so that a book can be opened without it

    state = trial.state()
    last = {entry.stock: entry for entry in trial.additions}
    own = {name: _own_ml(trial, name) for name in last}
    names = [name for name in last if state.mg.get(name, 0.0) > 0 and own[name] > 0]
    if not names:
        return []
    strength = np.array([10 * last[name].strength_g_per_100ml for name in names])
    grows = np.array([last[name].made_in != "batch" for name in names], float)
    wanted = np.array([state.mg[name] for name in names]) / state.volume_ml
    held = np.array([batch.mg.get(name, 0.0) for name in names])
    missing = np.linalg.solve(
        np.diag(strength) - np.outer(wanted, grows), wanted * batch.volume_ml - held
    ).clip(0.0)
    return [
        _scaled(last[name], own[name], float(ml), float(wanted[k] * 1000))
        for k, (name, ml) in enumerate(zip(names, missing, strict=True))
    ]


def _own_ml(trial: LotStory, stock: str) -> float:
    """What was dosed in the trial itself, without what came along from the batch."""
    came = came_along(trial)
    return math.fsum(e.ml for e in trial.additions if e.stock == stock and e.id not in came)


def _scaled(entry: AdditionEntry, trial_ml: float, batch_ml: float, mg_per_l: float) -> dict[str, Any]:
    drops, wanted = trial_ml / entry.drop_ml, batch_ml / entry.drop_ml
    counted = math.hypot(_MISCOUNT_DROPS / drops, _SINGLE_DROP_REL_SD / math.sqrt(drops))
    sd = math.hypot(counted if entry.unit == "drops" else 0.0, math.sqrt(2) * _VOLUME_REL_SD)
    return {
        "stock": entry.stock,
        "trial_drops": round(drops, 1),
        "trial_ml": round(trial_ml, 4),
        "mg_per_l": round(mg_per_l, 3),
        "drops": round(wanted),
        "low": math.floor(wanted * max(1 - 1.96 * sd, 0.0)),
        "high": math.ceil(wanted * (1 + 1.96 * sd)),
        "ml": round(batch_ml, 3),
    }


def _tell(told: dict[str, Any], batch_ml: float) -> str:
    """What a trial says for the batch, in words."""
    head = f"Trial of {told['taken_ml'] or told['volume_ml']:g} ml (lot {told['lot']})"
    seen = told["delta_e_2000"]
    how_far = "no photo yet"
    if seen:
        how_far = f"difference {tell_interval(seen)}"
    head += f", {how_far}{', poured back' if told['poured_back'] else ''}"
    if not told["doses"]:
        return f"{head}: nothing was dosed in it yet."
    said = " and ".join(_tell_dose(dose, batch_ml) for dose in told["doses"])
    first = ""
    if any(dose["drops"] for dose in told["doses"]) and not told["poured_back"]:
        low = " and ".join(f"{d['low']} of {d['stock']}" for d in told["doses"] if d["low"])
        first = f" Put in the lower figure first ({low}), then photograph the batch." if low else ""
    return f"{head}: {said}.{first}"


def _tell_dose(dose: dict[str, Any], batch_ml: float) -> str:
    drops = f"{tell_drops(dose['trial_drops'])} of {dose['stock']}"
    if not dose["drops"]:
        return f"{drops} there, and the batch holds as much in a litre already"
    return f"{drops} there are {dose['drops']} ({dose['low']} to {dose['high']}) in the {batch_ml:.0f} ml of the batch"
