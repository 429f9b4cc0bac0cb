"""What the user can mend, as exceptions whose text is printed as it stands.

ColourMatchError
├── PhotoError     the photo cannot be read or measured; another photo is needed
├── InputError     a value typed by the user is not possible
│   └── UsedTokenError   the token of an act comes again with other content
├── QuestionError  a value that is hardly meant as typed; it is taken when it is said that it was
├── NotFoundError  a lot, stock, colourant or file that does not exist
├── ClosedError    the lot is closed, or the stock is put away
└── BookError      the lot book cannot be opened, read or written

A caller's own mistake is a ValueError or TypeError instead; doubtful data is a quality flag on a result.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

#: Longer words than any name that may be kept: they were pasted by mistake, and would bury the sentence.
_LONGEST_WORD = 300


def fit_to_print(text: str) -> str:
    """A sentence as a terminal or a page may show it, whatever value it quotes: no control signs, no endless words."""
    shown = "".join(sign if sign.isprintable() or sign == "\n" else ascii(sign)[1:-1] for sign in text)
    return re.sub(rf"\S{{{_LONGEST_WORD},}}", lambda word: f"{word[0][:80]}...{word[0][-20:]}", shown)


class ColourMatchError(Exception):
    """A sentence that says what is wrong and what to do next; `code` is a short stable word for programs."""

    code = "input"

    def __init__(self, text: str, code: str | None = None) -> None:
        text = fit_to_print(text)
        super().__init__(text)
        self.text = text
        if code is not None:
            self.code = code


class PhotoError(ColourMatchError):
    """The photo cannot be read or measured; `spot` names the one that it is about.

    `squares`: the card's squares found so far, corners (4, 2) in pixels by number; `seen`: the `Drawing` of it.
    """

    code = "photo"

    def __init__(self, text: str, code: str | None = None, *, spot: str = "") -> None:
        super().__init__(text, code)
        self.spot = spot
        self.squares: Mapping[int, Any] = {}
        self.seen: Any = None


class InputError(ColourMatchError):
    """A value typed by the user is not possible."""

    code = "value"


class UsedTokenError(InputError):
    """Something else was entered with this token before."""


class QuestionError(ColourMatchError):
    """A value typed by the user is hardly meant."""

    code = "question"


class NotFoundError(ColourMatchError):
    """Something named does not exist."""

    code = "not-found"


class ClosedError(ColourMatchError):
    """The lot is closed."""

    code = "closed"


class BookError(ColourMatchError):
    """The lot book cannot be opened, read or written."""

    code = "book"
