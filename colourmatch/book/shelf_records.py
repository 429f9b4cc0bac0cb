"""What the lot book hands out of its shelf: records of stocks and references as they stand now; it knows no database."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from colourmatch.facts import K_95
from colourmatch.liquid.stock import Stock
from colourmatch.records import alike

if TYPE_CHECKING:
    from colourmatch.measurement import Measurement


@dataclass(frozen=True)
class Reference:
    """What a lot is tinted to: the bottle it stands in for, or the maker's own last good lot."""

    id: int
    name: str
    notes: str
    created_at: str
    entered_by: str | None = None


@dataclass(frozen=True)
class ReferenceReading:
    """One reading of a reference: Lab (D65, 2 degrees) at a depth and a dilution.

    `photo_sha256` is that of the stored file; that of the photo as it came when no file is kept
    (`stored_name` None), as in books from before version 0003.
    """

    id: int
    reference_id: int
    lab: tuple[float, float, float]
    lab_sd: tuple[float, float, float] | None
    depth_mm: float
    dilution: float
    photo_sha256: str | None
    measurement: Measurement | None
    created_at: str
    entered_by: str | None = None
    original_sha256: str | None = None
    stored_name: str | None = None
    original_name: str | None = None
    taken_at: str | None = None


@dataclass(frozen=True)
class StockEntry:
    """A stock as it stands now: what is on its label, the latest drop, and what was learnt from photos.

    `corrected` says in words what was put right of it, and why.

    `label_strength_g_per_100ml` is as made up; the true strength is `strength_factor` times that. The factor
    is always against the label, never against an earlier factor. `amount_ml` is what the bottle held when it was new;
    `follows` the bottle of the same stock before it; `hand` in what its doses are measured. `shift_nm`: how far photos saw
    its band from where its colourant has it, with one standard deviation, None while they taught nothing of it.
    """

    id: int
    name: str
    colourant: str
    label_strength_g_per_100ml: float
    label_strength_rel_sd: float
    drop_ml: float
    made_in: str
    strength_rel_sd: float
    drop_rel_sd: float
    density_g_per_ml: float
    notes: str
    diluted_from_id: int | None
    strength_factor: float
    learnt_from_lot_id: int | None
    weighed: bool
    active: bool
    created_at: str
    changed_at: str
    entered_by: str | None = None
    corrected: tuple[str, ...] = ()
    supplier: str | None = None
    supplier_batch: str | None = None
    made_on: str | None = None
    use_by: str | None = None
    amount_ml: float | None = None
    hand: str = "drops"
    follows: int | None = None
    shift_nm: float = 0.0
    shift_sd_nm: float | None = None

    @property
    def shift(self) -> tuple[float, float] | None:
        """How far its band lies from where its colourant has it, nm, and one sd; None while photos taught nothing of it."""
        return None if self.shift_sd_nm is None else (self.shift_nm, self.shift_sd_nm)

    @property
    def strength_g_per_100ml(self) -> float:
        """The strength as learnt, or that of the label while nothing was learnt."""
        return self.label_strength_g_per_100ml * self.strength_factor

    @property
    def learnt(self) -> tuple[float, float, float] | None:
        """Real over label strength, its 95 % interval with a normal logarithm; None while not learnt."""
        if self.strength_factor == 1 and self.learnt_from_lot_id is None:
            return None
        spread = math.exp(K_95 * self.strength_rel_sd)
        return self.strength_factor, self.strength_factor / spread, self.strength_factor * spread

    def as_stock(self, *, learnt: bool = True, lot_hand: str = "drops") -> Stock:
        """The stock to compute with; `learnt` False takes the strength of the label.

        lot_hand: in what a lot's doses are measured, where the stock says nothing of its own.
        """
        hand = self.hand if self.hand != "drops" else lot_hand
        if learnt:
            return alike(Stock, self, hand=hand)
        label, sd = self.label_strength_g_per_100ml, self.label_strength_rel_sd
        return alike(Stock, self, strength_g_per_100ml=label, strength_rel_sd=sd, hand=hand)
