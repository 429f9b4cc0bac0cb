"""The access code that is typed or scanned, its QR code, and how long after a wrong one the next may be tried, by the
clock that it is given; it knows no network and no cookies."""

from __future__ import annotations

import hmac
import io
import secrets
import time
from collections import OrderedDict, deque
from collections.abc import Callable

import segno

#: Digits and capitals without 0 and O, 1 and I: 32 signs, so that 8 of them hold 40 bits.
SIGNS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
LENGTH, GROUP = 8, 4
_LONGEST_OWN_S, _LONGEST_OVERALL_S, _LONGEST_FIRST_S = 300.0, 60.0, 2.0
_REMEMBERED_S, _FREE_OVERALL, _MOST_ADDRESSES = 3600.0, 10, 1024


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


def _code(text: str) -> segno.QRCode:
    return segno.make(text, error="m", micro=False)


def draw_for_terminal(text: str) -> str:
    """Lines of half blocks, light on dark as on a dark terminal, with the quiet zone of the standard."""
    out = io.StringIO()
    _code(text).terminal(out, border=4, compact=True)
    return out.getvalue().rstrip("\n")


def draw_for_page(text: str) -> str:
    """A picture as the address of an image (data:), black on white whatever the page's colours."""
    return str(_code(text).svg_data_uri(scale=6, border=4, light="#fff", dark="#000"))
