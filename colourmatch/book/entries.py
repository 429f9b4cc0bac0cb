"""What the lot book hands out: plain frozen records of lots and their entries; it knows no database.
Times are UTC, text as 2026-11-25T07:14:39.123456+00:00, so that they sort as they stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

from colourmatch.book.shelf_records import StockEntry
from colourmatch.liquid.stock import Addition, BatchState, Stock
from colourmatch.records import alike, pick

if TYPE_CHECKING:
    from colourmatch.advice import Advice
    from colourmatch.measurement import Measurement


@dataclass(frozen=True, kw_only=True)
class LotFigures:
    """The figures of a lot, as they are given when it is begun and as they stand at its head.

    stocks: names or ids in the order of use, the first is the main one; dilution 5: 1 part of liquid made up to
    5 with water, both glasses alike; target_lab: a colour (D65, 2 degrees) entered by hand; made_up_to 6: 1 part
    is made up to 6 parts of drink by its label, to which the limits of the law then apply; hand: in what doses
    are measured, "drops", "ml" or "grams"; like: the id of the lot whose figures these are; label_lines: the maker's own
    lines of the label.
    """

    name: str
    volume_ml: float | None
    stocks: Sequence[str | int]
    dilution: float = 1.0
    ceiling_mg_per_l: float | None = None
    depth_mm: float = 10.0
    tolerance: float = 1.5
    already_mg_per_l: float = 0.0
    already_colourant: str | None = None
    jurisdiction: str | None = None
    reference_id: str | int | None = None
    target_lab: Sequence[float] | None = None
    notes: str = ""
    serving: Mapping[str, Any] | None = None
    made_up_to: float = 1.0
    hand: str = "drops"
    like: int | None = None
    label_lines: Mapping[str, str] = field(default_factory=dict)

    @property
    def glasses(self) -> Sequence[Mapping[str, Any]]:
        """The conditions in which the match is judged, as they are kept; none where it is judged as photographed."""
        return (self.serving or {}).get("conditions") or ()


@dataclass(frozen=True, kw_only=True)
class Lot(LotFigures):
    """The head of a lot, with later amendments in place; stocks by their names."""

    id: int
    number: str | None
    volume_ml: float
    stocks: tuple[str, ...]
    reference_id: int | None
    target_lab: tuple[float, float, float] | None
    created_at: str
    entered_by: str | None = None
    closed: bool = False
    trial_of: int | None = None

    @property
    def label(self) -> str:
        """The number the maker gave, else L and the id, which is no other lot's number (naming.py)."""
        return self.number or f"L{self.id}"


@dataclass(frozen=True)
class LotEntry:
    """What every entry carries; replaced_by_id corrects it, moved_by_id put its time right last."""

    id: int
    lot_id: int
    kind: str
    created_at: str
    entered_by: str | None
    replaces_id: int | None
    reason: str | None
    replaced_by_id: int | None = None
    stands_at: str = ""
    moved_by_id: int | None = None

    @property
    def happened_at(self) -> str:
        """When it happened: as it was put right, of a correction as what it corrects, else when it was entered."""
        return self.stands_at or self.created_at


E = TypeVar("E", bound=LotEntry)


@dataclass(frozen=True)
class AdditionEntry(LotEntry):
    """A dose of a stock: the quantity as typed and its unit, and what that was in ml and mg.

    The stock is kept as it was at that moment; mg is by the strength of the label, so that what was weighed
    in stays what the ceiling counts, whatever is learnt later.
    """

    stock_id: int = 0
    stock: str = ""
    quantity: float = 0.0
    unit: str = "drops"
    ml: float = 0.0
    mg: float = 0.0
    void: bool = False
    colourant: str = ""
    strength_g_per_100ml: float = 0.0
    drop_ml: float = 0.0
    made_in: str = "water"
    strength_rel_sd: float = 0.2
    drop_rel_sd: float = 0.15
    density_g_per_ml: float = 1.0

    def as_addition(self) -> Addition:
        """The addition to compute with, of the stock as recorded."""
        return Addition(alike(Stock, self, name=self.stock, hand=self.unit), self.ml)


@dataclass(frozen=True)
class VolumeEntry(LotEntry):
    """Batch that left or came: kind "sample" (`returned` True: it went back whole), "untinted" or "poured-back".

    A trial that is poured back is an entry of its batch without the stocks, and one addition of each stock.
    `trial_lot_id`: the lot that the trial taken or poured back is written down as.
    """

    ml: float = 0.0
    returned: bool = False
    void: bool = False
    trial_lot_id: int | None = None

    @property
    def came(self) -> bool:
        """Whether batch came in, so that the batch grew."""
        return self.kind in ("untinted", "poured-back")


def _measure_nothing() -> Measurement:
    from colourmatch.measurement import Measurement  # lists of lots do not wait for it

    return Measurement()


@dataclass(frozen=True)
class PhotoEntry(LotEntry):
    """A photo: `purpose` is "match" or "recheck"; `sha256` is that of the stored file.

    `aside`: why it was set aside and counts no more, None while it counts. `exchanged`: it was found that the glasses
    stood the other way round; the measurement is then that of the liquids as they were.
    """

    purpose: str = "match"
    sha256: str | None = None
    original_sha256: str | None = None
    stored_name: str | None = None
    original_name: str | None = None
    taken_at: str | None = None
    delta_e_2000: float | None = None
    delta_e_2000_low: float | None = None
    delta_e_2000_high: float | None = None
    measurement: Measurement = field(default_factory=_measure_nothing)
    advice: Advice | None = None
    aside: str | None = None
    exchanged: bool = False


@dataclass(frozen=True)
class AsideEntry(LotEntry):
    """A photo set aside for the entry's reason; `back` True: taken back, so that it counts again."""

    photo_entry_id: int = 0
    back: bool = False


@dataclass(frozen=True)
class MovedEntry(LotEntry):
    """The time of another entry put right: it happened at `moved_to`, and counts there."""

    moved_entry_id: int = 0
    moved_to: str = ""


@dataclass(frozen=True)
class NoteEntry(LotEntry):
    """A free text."""

    text: str = ""


@dataclass(frozen=True)
class AmendmentEntry(LotEntry):
    """Fields of the lot's head that were put right, as name and new value."""

    changes: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class AnswerEntry(LotEntry):
    """What the maker said to the question whether something went wrong by hand; the newest answer to one counts.

    changes: `code` of the cause, `about` the entry that it is about, `yes`: None where an answer was taken back; `stock`
    where it names one.
    """

    changes: dict[str, Any] = field(default_factory=dict)

    @property
    def cause(self) -> tuple[str, int]:
        """The cause, and the entry that it is about."""
        return str(self.changes["code"]), int(self.changes["about"])

    @property
    def stock(self) -> str | None:
        """The stock that the cause names, where it was written down."""
        return self.changes.get("stock")

    @property
    def yes(self) -> bool | None:
        """Whether it was so, None where that is open again."""
        said: bool | None = self.changes["yes"]
        return said


#: The cause whose answer changes how a photo is read (liquid/mishaps.py).
SWAPPED = "glasses-swapped"
#: Why the first additions of a trial stand there: they were in the batch.
CARRIED = "was in the batch when the trial was taken"
#: Why additions of a batch stand there that came with a trial: they were poured into the trial.
CAME_BACK = "came back with the trial"


@dataclass(frozen=True)
class ClosingEntry(LotEntry):
    """The end of a lot: a short reason ("matched", "nearest", "ceiling" ...), words, and final figures."""

    outcome: str = ""
    text: str = ""
    final: Advice | None = None
    reopened_before: int = 0

    @property
    def against(self) -> str:
        """What the advice had said, where the lot was closed for another of its reasons to stop; else nothing."""
        said = self.final.contradict(self.outcome) if self.final else ""
        return said and f"The advice was another: {said}"


@dataclass(frozen=True)
class ReopeningEntry(LotEntry):
    """A closed lot opened again: the closing that it names ends nothing any more."""

    closing_entry_id: int = 0


@dataclass(frozen=True)
class LotStory:
    """A lot and all its entries in order, replaced ones included; everything else is derived from them."""

    lot: Lot
    events: tuple[LotEntry, ...]
    stock_entries: tuple[StockEntry, ...] = ()

    @property
    def effective(self) -> tuple[LotEntry, ...]:
        """The entries that count, in the order in which they happened.

        A correction stands in the place of what it corrects, a void one falls. Entries whose time was never put
        right keep the order in which they were entered, even where a clock was set back.
        """
        by_id = {entry.id: entry for entry in self.events}
        placed, clock = [], ""
        for entry in self.events:
            clock, first = max(clock, entry.created_at), entry.id
            if entry.replaces_id is not None:
                continue
            while entry.replaced_by_id is not None:
                entry = by_id[entry.replaced_by_id]
            if not getattr(entry, "void", False):
                placed.append((clock if entry.moved_by_id is None else entry.happened_at, first, entry))
        return tuple(entry for _, _, entry in sorted(placed, key=lambda place: place[:2]))

    @property
    def additions(self) -> tuple[AdditionEntry, ...]:
        """The additions that count, in the order in which they were made."""
        return tuple(entry for entry in self.effective if isinstance(entry, AdditionEntry))

    @property
    def photos(self) -> tuple[PhotoEntry, ...]:
        """The photos in order, those set aside too."""
        return tuple(entry for entry in self.effective if isinstance(entry, PhotoEntry))

    @property
    def counting_photos(self) -> tuple[PhotoEntry, ...]:
        """The photos in order without those that were set aside."""
        return tuple(photo for photo in self.photos if photo.aside is None)

    @property
    def matched(self) -> tuple[PhotoEntry, ...]:
        """The counting photos that were taken for the match; those after the closing tell how it keeps."""
        return tuple(photo for photo in self.counting_photos if photo.purpose == "match")

    @property
    def answers(self) -> dict[tuple[str, int], bool]:
        """What was said to each cause, by its code and the entry that it is about."""
        said = {entry.cause: entry.yes for entry in self.all(AnswerEntry)}
        return {cause: yes for cause, yes in said.items() if yes is not None}

    @property
    def closing(self) -> ClosingEntry | None:
        """The closing entry that stands, None while the lot is open."""
        undone = {entry.closing_entry_id for entry in self.all(ReopeningEntry)}
        return next((entry for entry in self.all(ClosingEntry) if entry.id not in undone), None)

    @property
    def came_along(self) -> set[int]:
        """The entries of a trial that came along from its batch, as they were put right since."""
        came: set[int] = set()
        for entry in self.events:  # a correction comes after what it corrects
            if entry.replaces_id in came or (entry.replaces_id is None and entry.reason == CARRIED):
                came.add(entry.id)
        return came

    def poured_back(self, trial_id: int) -> VolumeEntry | None:
        """The entry by which a trial went back into this batch, None while it did not."""
        back = (one for one in self.effective if isinstance(one, VolumeEntry) and one.kind == "poured-back")
        return next((one for one in back if one.trial_lot_id == trial_id), None)

    def find(self, entry_id: int) -> LotEntry:
        """An entry by its id, replaced or not."""
        return next(entry for entry in self.events if entry.id == entry_id)

    def line(self, entry: LotEntry) -> list[LotEntry]:
        """An entry with all that it replaces, the first one first."""
        line = [entry]
        while line[0].replaces_id is not None:
            line.insert(0, self.find(line[0].replaces_id))
        return line

    def all(self, kind: type[E]) -> list[E]:
        """All entries of one kind in order, replaced ones included."""
        return [entry for entry in self.events if isinstance(entry, kind)]

    def entries_before(self, entry: LotEntry) -> tuple[LotEntry, ...]:
        """The entries that count and happened before a given one, such as a photo."""
        place = [known.id for known in self.effective].index(entry.id)
        return self.effective[:place]

    def state(self, before: LotEntry | None = None) -> BatchState:
        """Volume and colour of the batch now, or before a given entry; InputError when entries contradict."""
        state = BatchState(**pick(self.lot, "volume_ml", "already_mg_per_l", "already_colourant", "made_up_to"))
        for entry in self.effective if before is None else self.entries_before(before):
            if isinstance(entry, AdditionEntry):
                state = state.add(entry.as_addition())
            elif isinstance(entry, VolumeEntry) and entry.came:
                state = state.add_untinted(entry.ml)
            elif isinstance(entry, VolumeEntry) and not entry.returned:
                state = state.take_sample(entry.ml)
        return state


def number_photos(story: LotStory) -> dict[int, int]:
    """The photos of a lot by entry, counted from 1: the same number on every page, in every chart, on paper."""
    return {photo.id: number for number, photo in enumerate(story.photos, 1)}


def mark(events: list[LotEntry]) -> list[LotEntry]:
    """Entries of a lot in order, each with what later ones say of it.

    The one that replaces it; when it happened, a correction where what it corrects stands; of a photo for what it was
    set aside last, and its liquids the other way round where its glasses stood so.
    """
    successors = {entry.replaces_id: entry.id for entry in events if entry.replaces_id is not None}
    moves = {entry.moved_entry_id: entry for entry in events if isinstance(entry, MovedEntry)}
    asides = (entry for entry in events if isinstance(entry, AsideEntry))
    aside = {entry.photo_entry_id: None if entry.back else entry.reason or "" for entry in asides}
    said = {entry.cause: entry.yes for entry in events if isinstance(entry, AnswerEntry)}
    stands: dict[int | None, tuple[str, int | None]] = {}
    marked = []
    for entry in events:
        move, place = moves.get(entry.id), stands.get(entry.replaces_id, (entry.created_at, None))
        stands[entry.id] = at, by = place if move is None else (move.moved_to, move.id)
        told = dict[str, Any](replaced_by_id=successors.get(entry.id), stands_at=at, moved_by_id=by)
        if isinstance(entry, PhotoEntry):
            told["aside"] = aside.get(entry.id)
            if said.get((SWAPPED, entry.id)):
                told |= {"exchanged": True, "measurement": entry.measurement.exchanged()}
        marked.append(replace(entry, **told))
    return marked
