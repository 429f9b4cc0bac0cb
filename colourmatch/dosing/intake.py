"""What a glass brings of each colourant, against the acceptable daily intake; it advises nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping

from colourmatch.colour.difference import Figure
from colourmatch.facts import K_95, read_rows
from colourmatch.liquid.colourants import find_colourant, name_on_label
from colourmatch.records import Record, kept, several
from colourmatch.words.figures import tell_number, tell_typed

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


def portions_in_glass(
    amounts: Mapping[str, tuple[float, float]], batch_ml: float = EXAMPLE_GLASS_ML
) -> list[Portion]:
    """What a glass brings of each colourant, from mg per litre and its sd by code; caramels share one intake.

    Each class of caramel stands against its own figure (an unknown one against the strictest), and where there are
    several, all of them together against EFSA's intake for the group.
    """
    found = [portion_in_glass(code, mg, sd, batch_ml) for code, (mg, sd) in amounts.items()]
    caramels = [amount for code, amount in amounts.items() if code.startswith("E150")]
    if len(caramels) > 1:
        mg, sd = sum(mg for mg, _ in caramels), math.hypot(*(sd for _, sd in caramels))
        found.append(_portion("E150", "Caramels together", (mg, sd), batch_ml, _group_intake()))
    return found


def _group_intake() -> tuple[float, str]:
    """The intake that all caramels share: the largest that EFSA has for one class alone."""
    rows = read_rows("caramel.csv")
    return max(float(row["adi_efsa_mg_per_kg"]) for row in rows), "EFSA, for all caramels together"


def portion_in_glass(
    e_number: str, mg_per_l: float, mg_per_l_sd: float, batch_ml: float = EXAMPLE_GLASS_ML
) -> Portion:
    """What a glass that holds so much of the batch brings of a colourant, against the smaller of the two ADIs.

    share = mg in the glass / (ADI in mg per kg and day x body mass in kg). The interval is that of the strength of the
    stock and its drop, 1.96 sd, never below 0. ADIs: JECFA and EFSA, calibration/colourants.csv.
    """
    colourant = find_colourant(e_number)
    adi = colourant.adi_mg_per_kg
    source = " and ".join(
        who
        for who, value in (("JECFA", colourant.adi_jecfa_mg_per_kg), ("EFSA", colourant.adi_efsa_mg_per_kg))
        if value == adi
    )
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
        "{} % ({} to {}) for {}".format(*(tell_number(100 * part) for part in own), who)
        for who, own in parts.items()
    )
    text = f"{said}; of the acceptable daily intake of {tell_typed(adi)} mg per kg ({source}) that is {for_whom}."
    shares = tuple(Share(who, *(round(part, 4) for part in own)) for who, own in parts.items())
    return Portion(code, name, figure, adi, source, shares, text)
