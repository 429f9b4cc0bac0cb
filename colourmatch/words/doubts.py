"""What may have gone wrong by hand, in a maker's words: as a question, as one of two, as an entry; it decides nothing."""

from __future__ import annotations

from typing import NamedTuple

from colourmatch.words.figures import begin


class Told(NamedTuple):
    """A cause in words: the question, the same as a part of a sentence, and why an entry is put right by it."""

    question: str
    clause: str
    reason: str


#: A cause (liquid/mishaps.py) in words. photo: "photo 3"; dose: "20 drops of red", instead: "40 drops"; stock, other: what
#: was noted and what it looks like; share: of the dose that went in or shows; more: of the water, in the batch. Each as a
#: question, as a part of a sentence, as the reason of an entry, as an answer, and what a maker taps to say that it was so.
_BY_PHOTOS = "by what the photos show"
_CAUSES = {
    "glasses-swapped": (
        "It looks as if the glasses stood the other way round in {photo}. Read it so?",
        "the glasses stood the other way round in {photo}", "the glasses stood the other way round",
        "the glasses stood the other way round", "Yes, read it so",
    ),
    "other-photo": (
        "{photo} seems to show other liquids than this lot's. Leave it out?",
        "{photo} shows other liquids than this lot's", "it shows other liquids",
        "it shows other liquids than the lot's", "Yes, leave the photo out",
    ),
    "thinned-unequally": (
        "In {photo} the batch seems thinned {more} than the reference. Was it? Then thin both alike and photograph again.",
        "the batch was thinned {more} than the reference in {photo}", "the glasses were thinned unequally",
        "the glasses were thinned unequally", "Yes, leave the photo out",
    ),
    "reference-paler": (
        "The reference seems paler in {photo} than before. Is it? Then pour it afresh and photograph again.",
        "the reference was paler in {photo}", "the reference had grown paler",
        "the reference had grown paler", "Yes, leave the photo out",
    ),
    "dose-amount": (
        "{share} the dose seems to have gone in: {instead}, not {dose}. Write it so?",
        "{share} the {dose} went in", _BY_PHOTOS,
        "another amount went in", "Yes, write it so",
    ),
    "dose-missing": (
        "Nothing shows of {dose}. Write that it did not go in?",
        "{dose} did not go in", _BY_PHOTOS,
        "it did not go in", "Yes, it did not go in",
    ),
    "not-stirred": (
        "{share} the dose shows in {photo}. Was it not stirred in? Then stir and photograph again.",
        "{share} the dose was stirred in for {photo}", "not stirred in",
        "it was not stirred in", "Yes, leave the photo out",
    ),
    "photo-before-addition": (
        "{photo} seems older than {dose}. Was it taken before?",
        "{photo} is from before {dose}", "taken before",
        "the photo is older", "Yes, it was before",
    ),
    "label": (
        "{stock} seems {share} as strong as its label. If that was typed wrongly, put the stock right.",
        "{stock} is {share} as strong as its label", _BY_PHOTOS,
        "the strength of {stock} is not that of its label", "Yes",
    ),
    "other-bottle": (
        "This looks like {other}, not {stock}: {dose}. Write it so?",
        "{dose} came from {other}", _BY_PHOTOS,
        "it came from another bottle", "Yes, write it so",
    ),
}  # fmt: skip
YES = {code: yes for code, (*_, yes) in _CAUSES.items()}


def tell_cause(code: str, *, part: float = 1.0, more_water: bool = False, dose: str = "dose", **told: str) -> Told:
    """A cause in words, told: what its sentences name; part: of the dose that went in or shows.

    >>> tell_cause("dose-amount", photo="photo 2", dose="20 drops of red", instead="39 drops", part=1.93).question
    'About twice the dose seems to have gone in: 39 drops, not 20 drops of red. Write it so?'
    """
    share = _share(part).removesuffix(" of") if code == "label" else _share(part)
    known = {"share": share, "more": "more" if more_water else "less", "dose": dose}
    known |= dict.fromkeys(("instead", "stock", "other"), "") | told
    question, clause, reason = (words.format(**known) for words in _CAUSES[code][:3])
    return Told(begin(question), clause, reason)


def tell_answer(code: str, about: str, yes: bool | None, stock: str | None = None) -> str:
    """An answer as an entry: "Photo 3: the glasses stood the other way round"; None: it was taken back."""
    said = _CAUSES[code][3].format(stock=stock or "a stock") if code in _CAUSES else code
    if yes is None:
        return f"{begin(about)}: open again, whether {said}"
    return f"{begin(about)}: {said}" if yes else f"{begin(about)}: not so, that {said}"


def _share(part: float) -> str:
    """A part of a dose in words: "about 62 % of", "about twice"."""
    if abs(part - 2) < 0.15:
        return "about twice"
    if abs(part - 0.5) < 0.05:
        return "about half"
    if part > 1:
        return f"about {part:.2g} times"
    return f"about {100 * part:.{0 if part >= 0.1 else 1}f} % of"
