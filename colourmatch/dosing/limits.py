"""Limits by jurisdiction and the maker's ceiling against what a batch holds; it states them and decides nothing.

Limits are on pure dye in the drink as sold, colour already in the base included; of a cordial in the drink as it is
made up by its label (Regulation (EC) No 1333/2008, Article 11(3); `BatchState.made_up_to`). Every figure carries its
jurisdiction, its law and whether anybody compared it with the text of the law (calibration/limits.csv), and holds
from one day to another where the law says so.
A ceiling is never raised here and never hidden.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache

from colourmatch.errors import InputError
from colourmatch.facts import read_rows
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.stock import BatchState
from colourmatch.words.figures import tell_amount, tell_typed

# Amounts are sums of drops; a hair above a limit from rounding is not "over".
_ROUNDING_MG_PER_L = 1e-9


@dataclass(frozen=True)
class Limit:
    """One limit of one jurisdiction; `limit_mg_per_l` is None where the law names no figure.

    `kind` is "sum", "each", "none" (no figure: quantum satis, good manufacturing practice), "forbidden" (not
    permitted or not listed, figure 0) or "unknown" (no entry here, or the colourant itself is unknown).
    `own` are those of its colours, and those that count for it, that were asked about; `also` are colours whose own
    limit lies inside this sum.
    """

    jurisdiction: str
    category: str
    colourants: tuple[str, ...]
    limit_mg_per_l: float | None
    kind: str
    wording: str
    law: str
    status: str
    own: tuple[str, ...] = ()
    also: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """The limit in one sentence with jurisdiction, law and status; `own` colours are named, the rest counted."""
        names = name_few(self.own or self.colourants, len(set(self.own) | set(self.colourants)))
        if self.kind == "unknown":
            return f"{names}: {self.wording} in {self.jurisdiction}. Look it up ({self.law})."
        where = f"in {self.jurisdiction} ({self.law}; {self.category}; {self.status})"
        if self.kind in ("none", "forbidden"):
            return f"{names}: {self.wording} {where}."
        together = " together" if self.kind == "sum" else ""
        return f"{names}: at most {tell_typed(self.limit_mg_per_l or 0)} mg of pure dye per litre{together} {where}."

    def is_unchecked_for(self, e_number: str) -> bool:
        """Whether nobody compared this limit with the text of the law for that colourant."""
        if "from memory" in self.status:
            return True
        return "seen for" in self.status and e_number not in self.status


#: So many colours are named in a sentence; the others are counted.
MOST_NAMED = 3


def name_few(names: Sequence[str], of: int | None = None) -> str:
    """The first names of a list and how many others there are: "E129, E110 and 12 others".

    >>> name_few(["E129", "E110", "E102", "E133", "E142"])
    'E129, E110, E102 and 2 others'
    """
    shown = list(names[:MOST_NAMED])
    others = max(len(names), of or 0) - len(shown)
    if not others:
        return ", ".join(shown)
    return f"{', '.join(shown)} and {others} other{'s' if others > 1 else ''}"


@cache
def list_jurisdictions() -> tuple[str, ...]:
    """Jurisdictions with limits on file."""
    return tuple(row["jurisdiction"] for row in read_rows("jurisdictions.csv"))


def place_or_first(jurisdiction: str | None) -> str:
    """The jurisdiction whose limits are shown: the one that is named, else the first on file."""
    return jurisdiction or list_jurisdictions()[0]


def read_jurisdiction(text: str) -> dict[str, str]:
    """What is on file of a jurisdiction: its laws and its warning; InputError for one without limits."""
    rows = {row["jurisdiction"]: row for row in read_rows("jurisdictions.csv")}
    wanted = str(text).strip().upper()
    if wanted not in rows:
        raise InputError(
            f'There are no limits on file for "{text}". Choose {" or ".join(rows)}, '
            "and look up the law of the place yourself."
        )
    return rows[wanted]


def _number_for_law(e_number: str) -> str:
    """The number under which limits are listed: the caramel classes share one."""
    return "E150" if e_number.startswith("E150") else e_number


@cache
def _read_limits(jurisdiction: str, on: str) -> tuple[Limit, ...]:
    """The limits that hold on a day, given as 2026-11-29."""
    law = read_jurisdiction(jurisdiction)["law"]
    rows = [
        row
        for row in read_rows("limits.csv")
        if row["jurisdiction"] == jurisdiction and row["since"] <= on and (not row["until"] or on < row["until"])
    ]
    inside = tuple(n for row in rows if "inside the sum" in row["kind"] for n in row["colourants"].split("+"))
    limits = []
    for row in rows:
        value = float(row["limit_mg_per_l"]) if row["limit_mg_per_l"] else None
        kind = "none" if value is None else "forbidden" if value == 0 else row["kind"].split()[0]
        limits.append(
            Limit(
                jurisdiction, row["category"], tuple(row["colourants"].split("+")), value, kind, row["kind"], law,
                row["status"], also=inside if kind == "sum" else (),
            )
        )  # fmt: skip
    return tuple(limits)


def _counts(limit: Limit, number: str) -> bool:
    """Whether a colourant counts for a limit.

    A sum also takes in those whose own limit lies inside it, and an unknown bottle, which may be any of them.
    """
    return number in limit.colourants or (limit.kind == "sum" and (":" in number or number in limit.also))


def limits_for(colourants: Iterable[str], jurisdiction: str = "EU", on: date | None = None) -> tuple[Limit, ...]:
    """Every limit that touches these colourants (E numbers or names) on a day (today), a sum once.

    "unknown" where none does. InputError for a jurisdiction, NotFoundError for a colourant that is not on file.
    """
    place = read_jurisdiction(jurisdiction)
    limits = _read_limits(place["jurisdiction"], (on or date.today()).isoformat())
    numbers = [_number_for_law(find_colourant(text).e_number) for text in colourants]
    touched = []
    for limit in limits:
        own = tuple(dict.fromkeys(number for number in numbers if _counts(limit, number)))
        if own:
            touched.append(replace(limit, own=tuple("an unknown colour" if ":" in n else n for n in own)))
    for number in dict.fromkeys(numbers):
        if ":" not in number and any(_counts(limit, number) for limit in touched):
            continue
        wording = "unknown colourant, so no limit is known" if ":" in number else "no limit is on file"
        touched.append(
            Limit(place["jurisdiction"], "", (number,), None, "unknown", wording, place["law"], "not on file")
        )
    return tuple(touched)


@dataclass(frozen=True)
class CeilingLine:
    """One ceiling against what the batch holds now; `left_mg_per_l` is below 0 when it is passed.

    law: the limit of the law in words, empty for the maker's own ceiling.
    """

    what: str
    amount_mg_per_l: float
    limit_mg_per_l: float | None
    left_mg_per_l: float | None
    over: bool
    text: str
    law: str


def ceiling_check(state: BatchState, ceiling_mg_per_l: float | None, jurisdiction: str = "EU") -> list[CeilingLine]:
    """The batch as it is now against the maker's ceiling first (None: not set), then the limits of a jurisdiction.

    Amounts are mg of pure dye per litre. Colour that the base brought counts for the maker's ceiling; where
    somebody said which colourant it is, it counts as that one, for its own limit too. Where nobody did, it
    counts for every sum; for the limit of one colourant it cannot, and the text says so. Against the limits of the law
    stand the amounts in the drink as it is made up, against the ceiling those in the batch.
    """
    total, made_up = state.total_mg_per_l(), state.made_up_to
    amounts = {number: amount / made_up for number, amount in _amounts(state).items()}
    unnamed = _unnamed(state) / made_up
    lines = [_line("your ceiling", total, ceiling_mg_per_l, "")] if ceiling_mg_per_l is not None else []
    for limit in limits_for(colourants_in(state), jurisdiction):
        more = ""
        if limit.kind == "each" and unnamed > 0:
            more = f" The {tell_amount(unnamed)} mg/l that the base brought are not in this figure: say which colour they are."
        counted = _counted(limit, amounts, unnamed)
        what = ", ".join(number for number in amounts if _counts(limit, number))
        if limit.kind == "sum":
            what += " and the base's own colour together" if state.already_colourant is None else " together"
        lines.append(_line(what, counted, limit.limit_mg_per_l, limit.text, more=more, made_up=made_up))
    return lines


def colourants_in(state: BatchState) -> list[str]:
    """Codes of the colourants in a batch: those that went in, and the base's own where it is known."""
    held = list(state.mg_by_colourant)
    if state.already_colourant and state.already_mg_per_l > 0 and state.already_colourant not in held:
        held.append(state.already_colourant)
    return held


def _unnamed(state: BatchState) -> float:
    """mg/l that the base brought and that nobody named."""
    return 0.0 if state.already_colourant else state.already_mg_per_l


def _amounts(state: BatchState) -> dict[str, float]:
    """mg/l in the batch by the number of the law, the base's own colour included where it is known."""
    amounts: dict[str, float] = {}
    if state.already_colourant and state.already_mg_per_l > 0:
        amounts[_number_for_law(find_colourant(state.already_colourant).e_number)] = state.already_mg_per_l
    for code in state.mg_by_colourant:
        number = _number_for_law(find_colourant(code).e_number)
        amounts[number] = amounts.get(number, 0.0) + state.colourant_mg_per_l(code)
    return amounts


def _counted(limit: Limit, amounts: dict[str, float], unnamed_mg_per_l: float) -> float:
    """What counts for a limit: a sum with the base's unnamed colour, else the largest single one."""
    inside = [amount for number, amount in amounts.items() if _counts(limit, number)]
    return sum(inside) + unnamed_mg_per_l if limit.kind == "sum" else max(inside, default=0.0)


def _line(
    what: str, amount: float, limit: float | None, law: str, *, more: str = "", made_up: float = 1.0
) -> CeilingLine:
    held = f"{what}: {tell_amount(amount)} mg/l of pure dye"
    if made_up != 1:
        held += f" in the drink as made up, 1 part to {tell_typed(made_up)},"
    if limit is None:
        text = f"{held}, no figure to compare with. {law}{more}".strip()
        return CeilingLine(what, amount, None, None, False, text, law)
    left = limit - amount
    over = left < -_ROUNDING_MG_PER_L
    held += f" of {tell_typed(limit)}, {tell_amount(abs(left) if over else max(left, 0.0))} {'too much' if over else 'left'}."
    return CeilingLine(what, amount, limit, left, over, f"{held} {law}{more}".strip(), law)


def room_mg_per_l(
    state: BatchState, colourant: str, ceiling_mg_per_l: float | None, jurisdiction: str | None = "EU"
) -> float:
    """How many mg/l more of one colourant may go in: the least room under all ceilings that touch it, those of the law where
    a jurisdiction is named.

    Never below 0; infinite when there is no figure at all. A colourant that is not permitted has no room.

    Sunset yellow has a limit of its own in the EU, which lies under this ceiling:

    >>> room_mg_per_l(BatchState(900.0), "E110", ceiling_mg_per_l=60)
    20.0
    """
    amounts, number = _amounts(state), _number_for_law(find_colourant(colourant).e_number)
    rooms = [float("inf") if ceiling_mg_per_l is None else ceiling_mg_per_l - state.total_mg_per_l()]
    for limit in limits_for([colourant], jurisdiction) if jurisdiction else ():
        if limit.limit_mg_per_l is not None:
            own = amounts if limit.kind == "sum" else {number: amounts.get(number, 0.0)}
            rooms.append(limit.limit_mg_per_l * state.made_up_to - _counted(limit, own, _unnamed(state)))
    return max(min(rooms), 0.0)
