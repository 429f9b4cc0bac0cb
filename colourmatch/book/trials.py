"""Writes trials: a measured part of a batch as a lot of its own, and its way back; what they say is in workflow/.
The batch shrinks by what was taken; poured back, the trial's colour comes in with it. No entry is changed.
"""

from __future__ import annotations

from typing import Any, Unpack

from sqlalchemy import Connection, select

from colourmatch.book import tables as t
from colourmatch.book import transactions
from colourmatch.book.additions import same_dose
from colourmatch.book.checks import NAME_LENGTH, check_number, to_json
from colourmatch.book.entries import CAME_BACK, CARRIED, Lot, LotStory, VolumeEntry
from colourmatch.book.lots import begin_lot
from colourmatch.book.naming import find_lot, find_lot_id, find_stock
from colourmatch.book.rows import in_columns, read_lot, read_lots, read_story
from colourmatch.book.transactions import By, Part, enter
from colourmatch.errors import InputError
from colourmatch.records import pick

#: Less than this is no trial but a sample: one drop would be more than the whole dose.
LEAST_ML = 10.0


class Trials(Part):
    """Trials of the lots of an open book."""

    def take(self, lot: int | str, ml: float, **by: Unpack[By]) -> Lot:
        """Take a measured part of a batch as a lot of its own, tinted alike and judged alike.

        ClosedError when the lot is closed; InputError for an amount that the batch does not hold, for less than
        LEAST_ML, and for a trial of a trial.
        """
        taken = check_number("ml", ml)
        if taken < LEAST_ML:
            raise InputError(f"A trial of {taken:g} ml is too small to count drops in. Take 50 or 100 ml.")

        once = transactions.part_of(by, "taken")

        def act(connection: Connection) -> int:
            parent_id = find_lot_id(connection, lot, lock=True)
            if (known := transactions.find_token(connection, t.lots, by.get("token"))) is not None:
                transactions.refuse_other(known, {"trial_of": parent_id})
                sample = transactions.find_repeat(connection, once["token"], parent_id, "sample")
                if sample is not None:
                    transactions.refuse_other_entry(connection, sample, {"ml": taken})
                return int(known["id"])
            transactions.refuse_closed(connection, parent_id)
            story = read_story(connection, parent_id)
            if story.lot.trial_of is not None:
                raise InputError(
                    f"Lot {parent_id} is a trial itself. Take the next one from its batch, lot {story.lot.trial_of}."
                )
            story.state().take_sample(taken)  # refuses what the batch does not hold
            trial_id = _begin_trial(connection, story, taken, by)
            values = {"ml": taken, "returned": False, "void": False, "trial_lot_id": trial_id}
            transactions.put_entry(connection, parent_id, "sample", values, **once)
            return trial_id

        trial_id = self._database.write(act)
        return self._read(read_lot, trial_id)

    def pour_back(self, trial: int | str, **by: Unpack[By]) -> VolumeEntry:
        """Pour what is left of a trial back into its batch, its colour with it.

        ClosedError when the batch is closed; InputError when the lot is no trial or went back already.
        """
        found = self._read(find_lot, trial)
        if found.trial_of is None:
            raise InputError(f"Lot {found.id} is no trial. Name the trial that is poured back.")

        def particulars(connection: Connection, parent_id: int) -> dict[str, Any]:
            # nothing goes into the trial until it is in the batch
            find_lot_id(connection, found.id, lock=True)
            if read_story(connection, parent_id).poured_back(found.id) is not None:
                raise InputError(f"The trial, lot {found.id}, was poured back into lot {parent_id} already.")
            story = read_story(connection, found.id)
            volume_ml = story.state().volume_ml
            left_ml = volume_ml - _parts_of(story, volume_ml)[1]
            return {"ml": left_ml, "returned": False, "void": False, "trial_lot_id": found.id}

        def pour(connection: Connection, parent_id: int) -> None:
            story = read_story(connection, found.id)
            rows, _ = _parts_of(story, story.state().volume_ml)
            _pour(connection, parent_id, rows, by, f"{CAME_BACK}, lot {found.id}")

        return enter(
            self._database, "poured-back", VolumeEntry, found.trial_of, particulars,
            **by, prove=True, then=pour, asked={"trial_lot_id": found.id},
        )  # fmt: skip

    def of(self, lot: int | str) -> list[Lot]:
        """The trials taken from a lot, in order."""
        with self._database.read() as connection:
            of_lot = t.lots.c.trial_of == find_lot_id(connection, lot)
            return read_lots(connection, select(t.lots).where(of_lot).order_by(t.lots.c.id))


def _begin_trial(connection: Connection, story: LotStory, taken: float, by: By) -> int:
    """The lot of a trial, with what was in the batch as its first additions."""
    head, state, (carried, grows_ml) = story.lot, story.state(), _parts_of(story, taken)
    plain_ml = taken - grows_ml
    name = f"{head.name[: NAME_LENGTH - 24]}, trial of {taken:g} ml"
    ids = {entry.name: entry.id for entry in story.stock_entries}
    stock_ids = [ids.get(stock) or find_stock(connection, stock).id for stock in head.stocks]
    trial_id = begin_lot(
        connection, stock_ids, **in_columns("target_lab", head.target_lab),
        **pick(head, "ceiling_mg_per_l", "depth_mm", "dilution", "tolerance", "already_colourant", "jurisdiction", "reference_id"),
        name=name, volume_ml=plain_ml, already_mg_per_l=state.already_mg_per_l * taken / plain_ml,
        notes="", serving=to_json(head.serving), trial_of=head.id,
        details=to_json(pick(head, "made_up_to", "hand")), **by,
    )  # fmt: skip
    _pour(connection, trial_id, carried, by, CARRIED)
    return trial_id


def _pour(connection: Connection, lot_id: int, rows: list[dict[str, Any]], by: By, reason: str) -> None:
    """Enter what of each stock comes into a lot with a part of another."""
    for row in rows:
        transactions.put_entry(connection, lot_id, "addition", row, entered_by=by.get("entered_by"), reason=reason)


def _parts_of(story: LotStory, ml: float) -> tuple[list[dict[str, Any]], float]:
    """What of each stock is in so many ml of a batch as it is now, as rows of additions, and what of it is water, ml."""
    state, last = story.state(), {entry.stock: entry for entry in story.additions}
    rows, grows_ml = [], 0.0
    for name, mg in state.mg.items():
        held = mg * ml / state.volume_ml
        entry = last[name]
        stock_ml = held / (10 * entry.strength_g_per_100ml)
        if stock_ml <= 0:
            continue
        counted = entry.unit == "drops"  # what was counted stays as unsure as its drop
        typed = ("drops", round(stock_ml / entry.drop_ml, 3)) if counted else ("ml", stock_ml)
        rows.append(same_dose(entry, unit=typed[0], quantity=typed[1], ml=stock_ml, mg=held, void=False))
        grows_ml += 0.0 if entry.made_in == "batch" else stock_ml
    return rows, grows_ml
