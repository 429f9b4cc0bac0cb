"""Care: what has to be said of the colours in a drink, to the maker and on the label, and what a glass brings of each
against the acceptable daily intake; it decides nothing.

What it refuses to know: whether a drink may be sold. The figures of the law are in limits.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from colourmatch.advice import Caution
from colourmatch.colour.difference import Figure
from colourmatch.dosing.limits import ceiling_check, limits_for, name_few, read_jurisdiction
from colourmatch.facts import K_95, read_rows
from colourmatch.liquid.colourants import Colourant, find_colourant, name_on_label
from colourmatch.liquid.stock import BatchState
from colourmatch.records import Record, kept, several
from colourmatch.words.figures import tell_number, tell_typed


def warn_of_base(
    state: BatchState, ceiling_mg_per_l: float | None, jurisdiction: str | None = None
) -> tuple[Caution, ...]:
    """What to do about a base that leaves no room for colour, or whose colour nobody named; nothing for a plain base.

    `state` is the batch before the first drop.
    """
    already, found = state.already_mg_per_l, []
    if ceiling_mg_per_l is not None and ceiling_mg_per_l <= already:
        held = f"the base already holds {tell_typed(already)}" if already else "it leaves no room for any colour"
        text = (
            f"Your ceiling is {tell_typed(ceiling_mg_per_l)} mg/l and {held}: nothing may be added. Check both figures and "
            "put the wrong one right, or start from a base with less colour."
        )
        found.append(Caution("ceiling-full", text))
    for line in ceiling_check(state, None, jurisdiction) if jurisdiction and already else ():
        if line.left_mg_per_l is not None and line.left_mg_per_l <= 0:
            text = f"The base alone leaves no room under a limit of {jurisdiction}: {line.text}"
            found.append(Caution("limit-full", text))
    if already and state.already_colourant is None:
        text = (
            f"Nobody said which colourant the {tell_typed(already)} mg/l in the base are. They count for every total, not "
            "for the limit of one colourant: look it up on the base and name it."
        )
        found.append(Caution("base-unnamed", text))
    return tuple(found)


#: What holds for every lot.
STANDING_CAUTIONS = (
    Caution("appearance-only", "This tool advises on appearance and on nothing else."),
    Caution(
        "pure-dye",
        "Limits and intakes are on pure dye in the drink as sold, colour already in the base included; "
        "read the dye content on the bottle.",
    ),
    Caution("sample-not-back", "A sample that stood on the bench is not poured back into the batch."),
    Caution("law-decides", "Local food law and a qualified food technologist decide, not this tool."),
)


def cautions_for(colourants: Iterable[str], jurisdiction: str = "EU") -> tuple[Caution, ...]:
    """The cautions that these colourants call for, the standing ones last."""
    place, cautions = read_jurisdiction(jurisdiction), []
    found = [find_colourant(text) for text in dict.fromkeys(colourants)]
    unchecked: dict[str, None] = {}
    for limit in limits_for([c.e_number for c in found], place["jurisdiction"]):
        code = {"forbidden": "not-permitted", "unknown": "limit-unknown"}.get(limit.kind, "limit")
        cautions.append(Caution(code, limit.text))
        if limit.kind != "unknown":
            unchecked |= dict.fromkeys(filter(limit.is_unchecked_for, limit.own or limit.colourants))
    if unchecked:
        cautions.append(Caution("limit-unchecked", _UNCHECKED.format(name_few(list(unchecked)))))
    for colourant in found:
        name = name_on_label(colourant)
        cautions += _alcoholic(colourant, place["jurisdiction"])
        if colourant.e_number == "E120":
            cautions.append(Caution("allergen-carmine", _CARMINE))
        if colourant.e_number in _SULPHITES:
            cautions.append(Caution("sulphites", _SULPHITE.format(name)))
        if colourant.to_be_learnt:
            cautions.append(Caution("strength-unknown", _STRENGTH.format(name)))
        is_elsewhere = colourant.shape_is_taught and colourant.shift_sd_nm > _KNOWN_SHIFT_NM
        if is_elsewhere and ":" not in colourant.e_number:
            cautions.append(Caution("shape-taught", _SHAPE.format(name, colourant.shape_status)))
        # The notes also say where the identity comes from, which is no concern at the bench.
        note = "; ".join(part for part in colourant.note.split("; ") if "CAS" not in part)
        if note:
            cautions.append(Caution("colourant-note", f"{name}: {note}."))
        if colourant.keeping:
            cautions.append(Caution("colourant-keeping", f"{name}: {colourant.keeping}."))
    if warning := _warning(found, place):
        text = f'The label must say: "{warning}" ({place["warning_law"]}).'
        cautions.append(Caution("label-warning", text))
    return (*cautions, *STANDING_CAUTIONS)


def _alcoholic(colourant: Colourant, jurisdiction: str) -> list[Caution]:
    """What a reference with alcohol may hold more of than this drink."""
    figures = [limit.limit_mg_per_l for limit in limits_for([colourant.e_number], jurisdiction)]
    own = min((figure for figure in figures if figure is not None), default=None)
    rows = [
        row
        for row in read_rows("alcoholic.csv")
        if row["jurisdiction"] == jurisdiction and colourant.e_number in row["colourants"].split("+")
    ]
    most = max(rows, key=lambda row: float(row["limit_mg_per_l"]), default=None)
    if own is None or most is None or float(most["limit_mg_per_l"]) <= own:
        return []
    return [Caution("alcoholic-reference", _ALCOHOLIC.format(name_on_label(colourant), own=own, **most))]


#: Colours that may bring sulphites; of E163 those that were drawn out with them.
_SULPHITES = ("E150", "E150b", "E150d", "E163")
_SULPHITE = (
    "{} may bring sulphites: ask its supplier. From 10 mg/l as SO2 in the drink on they are named and emphasised on the "
    "label (Regulation (EU) No 1169/2011, Annex II; seen in the guidance of FSAI)."
)
#: A band that may lie further off than this, in nm, is no longer like that of the colourant it starts from.
_KNOWN_SHIFT_NM = 5.0
_SHAPE = "{}: its own spectrum is not on file ({}); the photos teach it. Take small steps."
_ALCOHOLIC = (
    "{}: {category} may hold {limit_mg_per_l} mg/l, this drink {own:g}; a reference with alcohol may be out of its reach "
    "({status})."
)
_UNCHECKED = "The limit for {} is from memory: nobody compared it with the text of the law. Look it up."
_CARMINE = "Carmine (E120) comes from insects and causes allergic reactions in some people: name it on the label."
_STRENGTH = "{}: the strength is not known and has to be learnt from the photos; ceilings in mg/l mean little yet."


@dataclass(frozen=True)
class Label:
    """Texts for the label: the colours, the warning and the allergen, None where not due."""

    line: str
    warning: str | None
    allergen: str | None

    @property
    def text(self) -> str:
        """All of them, one a line."""
        return "\n".join(part for part in (self.line, self.warning, self.allergen) if part)


def label_line(colourants: Iterable[str], jurisdiction: str = "EU") -> Label:
    """Label texts for colourants given by E number or name, in the order given, each once.

    The line names the colours ("Colour: Allura red AC (E129)"; in the US by their name there). The warning is
    the EU text of Regulation (EC) No 1333/2008, Annex V, where due. An unknown bottle is named as such, never
    guessed. InputError or NotFoundError as in `limits_for`.

    >>> label_line(["E133", "E120"]).text.splitlines()
    ['Colours: Brilliant blue FCF (E133), Carmine (E120)', 'Contains carmine (E120)']
    """
    place = read_jurisdiction(jurisdiction)
    found = list(dict.fromkeys(find_colourant(text) for text in colourants))
    if not found:
        return Label("No colour added.", None, None)
    names = [c.us_name if place["jurisdiction"] == "US" and c.us_name else name_on_label(c) for c in found]
    carmine = any(c.e_number == "E120" for c in found)
    return Label(
        f"Colour{'s' if len(found) > 1 else ''}: {', '.join(names)}",
        _warning(found, place),
        "Contains carmine (E120)" if carmine else None,
    )


def _warning(colourants: list[Colourant], place: dict[str, str]) -> str | None:
    """The warning of the jurisdiction; an unknown bottle gets none, as nobody knows what is in it."""
    named = [name_on_label(c) for c in colourants if c.eu_warning and ":" not in c.e_number]
    return f"{', '.join(named)}: {place['warning_text']}" if named and place["warning_text"] else None


# ---- a glass -------------------------------------------------------------------------------------------------------

#: Persons that a share of the ADI is shown for, both examples: the adult of the JECFA evaluations, and a child of about
#: six years (both from memory).
EXAMPLE_BODIES_KG = (("an adult of 60 kg", 60.0), ("a child of 20 kg", 20.0))
#: A glass as served, an example.
EXAMPLE_GLASS_ML = 200.0


class Share(Record):
    """A part of the ADI with its 95 % interval, for an example person."""

    who: str = kept()
    value: float = kept()
    low: float = kept()
    high: float = kept()


class Portion(Record):
    """One colourant in one glass: how many mg, and the shares of the ADI, none where no ADI is on file."""

    e_number: str = kept(key="colourant")
    name: str = kept()
    mg: Figure = kept(Figure.from_json)
    adi_mg_per_kg: float | None = kept()
    source: str = kept(key="adi_source")
    shares: tuple[Share, ...] = kept(several(Share))
    text: str = kept()


def portions_in_glass(amounts: Mapping[str, tuple[float, float]], batch_ml: float = EXAMPLE_GLASS_ML) -> list[Portion]:
    """What a glass brings of each colourant, from mg per litre and its sd by code; caramels share one intake.

    Each class of caramel stands against its own figure (an unknown one against the strictest), and where there are
    several, all of them together against EFSA's intake for the group.
    """
    found = [portion_in_glass(code, mg, sd, batch_ml) for code, (mg, sd) in amounts.items()]
    caramels = [amount for code, amount in amounts.items() if code.startswith("E150")]
    if len(caramels) > 1:
        mg, sd = sum(mg for mg, _ in caramels), math.hypot(*(sd for _, sd in caramels))
        # of one class alone
        shared = max(float(row["adi_efsa_mg_per_kg"]) for row in read_rows("caramel.csv"))
        group = shared, "EFSA, for all caramels together"
        found.append(_portion("E150", "Caramels together", (mg, sd), batch_ml, group))
    return found


def portion_in_glass(e_number: str, mg_per_l: float, mg_per_l_sd: float, batch_ml: float = EXAMPLE_GLASS_ML) -> Portion:
    """What a glass that holds so much of the batch brings of a colourant, against the smaller of the two ADIs.

    share = mg in the glass / (ADI in mg per kg and day x body mass in kg). The interval is that of the strength of the
    stock and its drop, 1.96 sd, never below 0. ADIs: JECFA and EFSA, calibration/colourants.csv.
    """
    colourant = find_colourant(e_number)
    adi = colourant.adi_mg_per_kg
    figures = {"JECFA": colourant.adi_jecfa_mg_per_kg, "EFSA": colourant.adi_efsa_mg_per_kg}
    source = " and ".join(who for who, value in figures.items() if value == adi)
    known = None if adi is None else (adi, source)
    return _portion(colourant.e_number, name_on_label(colourant), (mg_per_l, mg_per_l_sd), batch_ml, known)


def _portion(
    code: str, name: str, mg_per_l: tuple[float, float], batch_ml: float, intake: tuple[float, str] | None
) -> Portion:
    mg = mg_per_l[0] * batch_ml / 1000
    half = K_95 * mg_per_l[1] * batch_ml / 1000
    ends = (mg, max(mg - half, 0.0), mg + half)
    said = f"{name}: {tell_number(mg, 2)} mg" + (
        f" ({tell_number(ends[1], 2)} to {tell_number(ends[2], 2)})" if half else ""
    )
    figure = Figure(*ends).rounded()
    if intake is None:
        return Portion(code, name, figure, None, "", (), f"{said}; no acceptable daily intake is on file.")
    adi, source = intake
    parts = {who: [end / (adi * body) for end in ends] for who, body in EXAMPLE_BODIES_KG}
    for_whom = " and ".join(
        "{} % ({} to {}) for {}".format(*(tell_number(100 * part) for part in own), who) for who, own in parts.items()
    )
    text = f"{said}; of the acceptable daily intake of {tell_typed(adi)} mg per kg ({source}) that is {for_whom}."
    shares = tuple(Share(who, *(round(part, 4) for part in own)) for who, own in parts.items())
    return Portion(code, name, figure, adi, source, shares, text)
