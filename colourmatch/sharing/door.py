"""The door between the local network and the app while it is shared: one code, and who has come in with it. It lives
as long as the program runs and is written down nowhere."""

from __future__ import annotations

import hashlib
import logging
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from colourmatch.sharing.code import Attempts, is_code, make_code

_LOG = logging.getLogger("colourmatch")
_MEANS = (
    "Everyone on this network who has the code can see and change the lot book. {encryption}Use it only in a network "
    "whose people you trust, and stop it afterwards, under Share or with Ctrl+C."
)
_PLAIN = "The connection is not encrypted: who controls the network can read along. "


def tell_sharing(url: str = "http:") -> str:
    """What sharing at an address does, said wherever it is on."""
    return _MEANS.format(encryption="" if url.startswith("https:") else _PLAIN)


_UNUSED_S, _MOST_INSIDE = 12 * 3600.0, 32


@dataclass
class Visit:
    """A browser that has entered the code; `leave` is called when it may stay no longer."""

    used_at: float
    leaving: list[Callable[[], None]] = field(default_factory=list)


class Door:
    """Lets in who knows the code, refuses after wrong codes for a growing time, and can be closed for good."""

    def __init__(self, url: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.url, self.code, self.open = url, make_code(), True
        self._clock, self._attempts = clock, Attempts(clock)
        self._inside: dict[str, Visit] = {}
        self._lock = threading.Lock()
        self._closing: list[Callable[[], None]] = []

    @property
    def url_with_code(self) -> str:
        """The address for the QR code. What follows # stays in the browser and is sent to no server."""
        return f"{self.url}/#{self.code}"

    def wait_s(self, address: str) -> float:
        """Seconds until this address may try a code again."""
        return self._attempts.wait_s(address)

    def enter(self, typed: str, address: str) -> str | None:
        """The token of a new visit, or None: closed, too early, or a wrong code."""
        with self._lock:
            if not self.open or self._attempts.wait_s(address) > 0:
                return None
            if not is_code(typed, self.code):
                count = self._attempts.note_wrong(address)
                _LOG.warning("A wrong access code came from %s, %d in a row.", address, count)
                return None
            self._attempts.note_right(address)
            token = secrets.token_urlsafe(32)
            self._inside[_key(token)] = Visit(self._clock())
            gone = self._drop_unused()
        _leave(gone)
        _LOG.warning("A browser at %s has entered the access code.", address)
        return token

    def find_visit(self, token: str) -> Visit | None:
        """The visit of a token while the door is open, None otherwise."""
        with self._lock:
            gone = self._drop_unused()
            visit = self._inside.get(_key(token)) if self.open and token else None
            if visit is not None:
                visit.used_at = self._clock()
        _leave(gone)
        return visit

    def touch(self, visit: Visit) -> None:
        """Note that a visit is in use, so that it does not end."""
        visit.used_at = self._clock()

    def count_inside(self) -> int:
        """How many browsers are in."""
        with self._lock:
            return len(self._inside)

    def when_closed(self, act: Callable[[], None]) -> None:
        """Have something done when the door closes."""
        self._closing.append(act)

    def close(self) -> None:
        """Stop sharing: every visit ends, the code opens nothing any more. A second call does nothing."""
        with self._lock:
            if not self.open:
                return
            self.open = False
            gone = list(self._inside.values())
            self._inside.clear()
        _leave(gone)
        for act in self._closing:
            act()
        _LOG.warning("Sharing is stopped.")

    def _drop_unused(self) -> list[Visit]:
        """Take out the visits unused for half a day, and the least used beyond the most that may be in."""
        oldest = sorted(self._inside, key=lambda key: self._inside[key].used_at)
        early = self._clock() - _UNUSED_S
        drop = [key for key in oldest if self._inside[key].used_at < early or key in oldest[:-_MOST_INSIDE]]
        return [self._inside.pop(key) for key in drop]


def _key(token: str) -> str:
    """Tokens are looked up by their digest, so that the time of the search tells nothing about them."""
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def _leave(visits: list[Visit]) -> None:
    for visit in visits:
        for act in list(visit.leaving):
            act()


_doors: list[Door] = []


def set_door(door: Door | None) -> None:
    """Name the door of this program; None when it is not shared."""
    _doors[:] = [door] if door else []


def current_door() -> Door | None:
    """The door of this program, None when it was started without sharing."""
    return _doors[0] if _doors else None
