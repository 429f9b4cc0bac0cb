"""The door between the local network and the app while it is shared: the access code with its QR code, how long after a
wrong one the next may be tried, and who has come in. It lives as long as the program and is written down nowhere."""

from __future__ import annotations

import hashlib
import hmac
import io
import logging
import secrets
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field

#: Digits and capitals without 0 and O, 1 and I: 32 signs, so that 8 of them hold 40 bits.
SIGNS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
LENGTH, GROUP = 8, 4
_LONGEST_OWN_S, _LONGEST_OVERALL_S, _LONGEST_FIRST_S = 300.0, 60.0, 2.0
_REMEMBERED_S, _FREE_OVERALL, _MOST_ADDRESSES = 3600.0, 10, 1024
_UNUSED_S, _MOST_INSIDE = 12 * 3600.0, 32
_LOG = logging.getLogger("colourmatch")
_MEANS = (
    "Everyone on this network who has the code can see and change the lot book. {encryption}Use it only in a network "
    "whose people you trust, and stop it afterwards, under Share or with Ctrl+C."
)
_PLAIN = "The connection is not encrypted: who controls the network can read along. "


def make_code() -> str:
    """A fresh code of 40 random bits in two groups, such as K7PQ-M2RT."""
    signs = "".join(secrets.choice(SIGNS) for _ in range(LENGTH))
    return f"{signs[:GROUP]}-{signs[GROUP:]}"


def clean_code(text: str) -> str:
    """What was typed as the code is written: capitals, two groups, no blanks."""
    signs = "".join(sign for sign in text[:64].upper() if sign.isascii() and sign.isalnum())
    return f"{signs[:GROUP]}-{signs[GROUP:]}" if len(signs) > GROUP else signs


def is_code(typed: str, code: str) -> bool:
    """Whether the typed text is the code; the time it takes does not tell how much of it is right."""
    return hmac.compare_digest(clean_code(typed).encode(), code.encode())


class Attempts:
    """Counts wrong codes, for each address and for all together, and says how long to wait.

    An address waits 1, 2, 4, ... seconds, at most 5 minutes, after each wrong code in a row. From the tenth wrong
    code of an hour on everybody waits too: an address that sent a wrong one at most a minute, one that sent none at most
    2 seconds, so that nobody keeps a new phone out. A day of guessing from any number of addresses makes at most 43,200
    guesses at one of 10^12 codes. It lives in the program: a reload or another browser forgets nothing.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._own: OrderedDict[str, tuple[int, float]] = OrderedDict()
        self._wrong: deque[float] = deque(maxlen=256)

    def wait_s(self, address: str) -> float:
        """Seconds until this address may try again; 0 when it may now."""
        now = self._clock()
        count, last = self._own.get(address, (0, now))
        own = last + min(2.0 ** (count - 1), _LONGEST_OWN_S) - now if count else 0.0
        return max(own, self._overall_s(now, _LONGEST_OVERALL_S if count else _LONGEST_FIRST_S), 0.0)

    def _overall_s(self, now: float, longest_s: float) -> float:
        while self._wrong and now - self._wrong[0] > _REMEMBERED_S:
            self._wrong.popleft()
        over = len(self._wrong) - _FREE_OVERALL
        if over < 0:
            return 0.0
        wait_s: float = min(2.0 ** (over / 5), longest_s)
        return self._wrong[-1] + wait_s - now

    def note_wrong(self, address: str) -> int:
        """Write down a wrong code; how many it makes in a row from this address."""
        now = self._clock()
        count = self._own.pop(address, (0, now))[0] + 1
        self._own[address] = (min(count, 32), now)
        if len(self._own) > _MOST_ADDRESSES:
            self._own.popitem(last=False)  # the delay for all together still holds
        self._wrong.append(now)
        return count

    def note_right(self, address: str) -> None:
        """Forget the wrong codes of an address that has entered the right one."""
        self._own.pop(address, None)


def draw_for_terminal(text: str) -> str:
    """Lines of half blocks, light on dark as on a dark terminal, with the quiet zone of the standard."""
    import segno

    out = io.StringIO()
    segno.make(text, error="m", micro=False).terminal(out, border=4, compact=True)
    return out.getvalue().rstrip("\n")


def draw_for_page(text: str) -> str:
    """A picture as the address of an image (data:), black on white whatever the page's colours."""
    import segno

    code = segno.make(text, error="m", micro=False)
    return str(code.svg_data_uri(scale=6, border=4, light="#fff", dark="#000"))


def tell_sharing(url: str = "http:") -> str:
    """What sharing at an address does, said wherever it is on."""
    return _MEANS.format(encryption="" if url.startswith("https:") else _PLAIN)


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
