"""What the user can mend, as exceptions whose text is printed as it stands.

ColourMatchError
├── PhotoError     the photo cannot be read or measured; another photo is needed
├── InputError     a value typed by the user is not possible
├── NotFoundError  a lot, stock, colourant or file that does not exist
├── ClosedError    the lot is closed, or the stock is put away
└── BookError      the lot book cannot be opened, read or written

A caller's own mistake is a ValueError or TypeError instead; doubtful data is a quality flag on a result.
"""

from __future__ import annotations


class ColourMatchError(Exception):
    """A sentence that says what is wrong and what to do next; `code` is a short stable word for programs."""

    code = "input"

    def __init__(self, text: str, code: str | None = None) -> None:
        super().__init__(text)
        self.text = text
        if code is not None:
            self.code = code


class PhotoError(ColourMatchError):
    """The photo cannot be read or measured."""

    code = "photo"


class InputError(ColourMatchError):
    """A value typed by the user is not possible."""

    code = "value"


class NotFoundError(ColourMatchError):
    """Something named does not exist."""

    code = "not-found"


class ClosedError(ColourMatchError):
    """The lot is closed."""

    code = "closed"


class BookError(ColourMatchError):
    """The lot book cannot be opened, read or written."""

    code = "book"
