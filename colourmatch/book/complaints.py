"""Turns what a database complains of into a sentence that says what to do; it knows no lots."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, IntegrityError

from colourmatch.errors import BookError, InputError

DAMAGED = (
    "The lot book {place} is damaged. Restore the last backup to a new path, and keep this file as it is."
)
IN_USE = "The lot book {place} is in use by another program. Close it there or wait, then try again."
NO_ROOM = "There is no room left to write the lot book {place}. Make room, then enter it again; nothing already entered is lost."
MAY_NOT_WRITE = (
    "The lot book {place} may only be read here. Change its rights, or give another path with --book."
)
OTHER_FILE = "{place} is not a lot book. Give another path; the file is left as it is."
NOT_LET_IN = "The database {place} does not let this user in. Check the name and the password in the address."
SILENT = "The database {place} does not answer. Check that it runs and that the address is right."

#: what is looked for in the complaint -> the sentence; the first that fits is taken
_SENTENCES = {
    r"is locked|is busy|lock timeout": IN_USE,
    r"is full|No space left|could not extend file|disk I/O error|File too large": NO_ROOM,
    r"readonly|read-only": MAY_NOT_WRITE,
    r"not a database": OTHER_FILE,
    r"unable to open": "The lot book {place} cannot be opened. Check the path and its rights.",
    r"malformed|corrupt|unsupported file format|could not decode|no such (table|column|collation)|foreign key mismatch|has no column": DAMAGED,
    r"authentication failed|no password supplied|role .* does not exist": NOT_LET_IN,
    r"permission denied": "This user may not write the lot book {place}. Ask whoever keeps the database for the right.",
    r"database .* does not exist": "The database {place} does not exist. Create it first, or check the address.",
    r"connection|could not translate|failed to resolve|EOF detected|shutting down|starting up|recovery mode": SILENT,
}


def explain(complaint: str, place: str) -> str | None:
    """The sentence for a complaint, None for one that is a fault of the program."""
    for pattern, text in _SENTENCES.items():
        if re.search(pattern, complaint, re.IGNORECASE):
            return text.format(place=place)
    return None


@contextmanager
def speaking(place: str, when_silent: Callable[[], str] = str) -> Iterator[None]:
    """Raise BookError for what the user can mend; broken rules and faults of the program pass as they are.

    when_silent: what else is said where a server went away, as what became of an entry.
    """
    try:
        yield
    except IntegrityError:
        raise
    except (UnicodeDecodeError, json.JSONDecodeError) as error:  # texts of the book that are none any more
        raise BookError(DAMAGED.format(place=place)) from error
    except UnicodeEncodeError as error:  # half a sign, as a terminal hands on bytes that are no text
        raise InputError("A name or text holds a sign that cannot be kept. Type it again.") from error
    except (DBAPIError, sqlite3.Error) as error:
        text = explain(str(getattr(error, "orig", error)), place)
        if text is None:
            raise
        if text == SILENT.format(place=place):
            text = f"{text} {when_silent()}".strip()
        raise BookError(text) from error
