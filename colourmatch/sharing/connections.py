"""How many connections and uploads there may be, and how long a request may take to come in; it knows no code and no
page. Who sends half a request, or nothing, is cut off; where there is no room, the oldest without a whole request makes
it. Each bound of uploads holds for one page or one visitor, an address: who sends too much keeps nobody else out."""

from __future__ import annotations

import asyncio
import logging
import re
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, MutableMapping
from contextlib import contextmanager
from ipaddress import ip_address
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S, BODY_S, SLOWEST_BYTES_PER_S = 10.0, 20.0, 20_000
#: Connections from the network together and of one address there, and from this machine.
MOST_SHARED, MOST_OF_ONE, MOST_HERE = 200, 40, 300
#: Files that the process may hold open, where the system lets it: connections, photos, the book.
_FILES_WANTED, _FILES_FOR_OTHERS = 4096, 128


def is_loopback(host: str) -> bool:
    """Whether an address is this machine's own."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def find_client(scope: Mapping[str, Any]) -> str:
    """The address that a request comes from."""
    return str((scope.get("client") or ("unknown", 0))[0])


class Connections:
    """The connections that are open; `is_here` tells this machine's addresses from the network's."""

    def __init__(self, is_here: Callable[[str], bool] = is_loopback, room: float = 1.0) -> None:
        self._is_here, self._room = is_here, room
        self._open: dict[asyncio.BaseTransport, GuardedProtocol] = {}

    def fit(self, files: int) -> None:
        """Stay below the number of files that the process may hold open."""
        self._room = min(1.0, max(files - _FILES_FOR_OTHERS, 8) / (MOST_SHARED + MOST_HERE))

    def admit(self, transport: asyncio.BaseTransport, protocol: GuardedProtocol) -> bool:
        """Count a new connection; False when there is no room for it and none can be made."""
        self._open = {known: its for known, its in self._open.items() if not known.is_closing()}
        here = self._is_here(protocol.address)
        group = [known for known, its in self._open.items() if self._is_here(its.address) == here]
        own = [known for known in group if self._open[known].address == protocol.address]
        most = (MOST_HERE if here else MOST_SHARED) * self._room
        if not here and len(own) >= MOST_OF_ONE * self._room:
            group = own
        elif len(group) < most:
            group = []
        # in the order in which they came
        oldest = next((known for known in group if self._open[known].is_waiting()), None)
        if oldest is not None:
            self._open.pop(oldest).cut_off()
        elif group:
            return False
        self._open[transport] = protocol
        return True


class GuardedProtocol(H11Protocol):
    """uvicorn's own HTTP protocol with time limits for what comes in, and room for so many connections."""

    connections_open = Connections()
    head_s, body_s = HEAD_S, BODY_S
    address = ""
    _timer: asyncio.TimerHandle | None = None
    _begun_s, _came_bytes, _is_socket = 0.0, 0, False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection in, or close it at once."""
        super().connection_made(transport)
        self.address = str((self.client or ("unknown", 0))[0])
        if self.connections_open.admit(transport, self):
            self._expect(self.head_s)
        else:
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the time limit with the connection."""
        self._expect(None)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Let bytes in, and count how long the request has taken so far."""
        state = self.conn.their_state
        super().data_received(data)
        if self._is_socket or self.transport.is_closing():
            return
        now = self.conn.their_state
        if now is h11.SEND_BODY:
            if state is not h11.SEND_BODY:
                self._begun_s, self._came_bytes = time.monotonic(), 0
            self._came_bytes += len(data)
            spent_s = time.monotonic() - self._begun_s
            self._expect(self.body_s + self._came_bytes / SLOWEST_BYTES_PER_S - spent_s)
        elif now is not h11.IDLE:
            self._expect(None)
        elif self._timer is None:
            self._expect(self.head_s)

    def on_response_complete(self) -> None:
        """Wait for the next request, half of which may have come already."""
        super().on_response_complete()
        if self.conn.their_state is h11.IDLE and not self.transport.is_closing():
            self._expect(self.head_s)

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        """A socket of a page may be silent for as long as it likes."""
        self._expect(None)
        self._is_socket = True
        super().handle_websocket_upgrade(event)

    def is_waiting(self) -> bool:
        """Whether no whole request is being answered on it."""
        answering = self.cycle is not None and not self.cycle.response_complete
        return not self._is_socket and not answering

    def cut_off(self) -> None:
        """Close the connection at once, whatever is half sent."""
        self._expect(None)
        self.transport.abort()

    def _expect(self, seconds: float | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None if seconds is None else self.loop.call_later(max(seconds, 0), self.cut_off)


def raise_file_limit() -> int:
    """Let the process hold as many files open as it may and wants; how many that are."""
    try:
        import resource
    except ImportError:  # Windows counts handles, of which there are enough
        return _FILES_WANTED
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _FILES_WANTED if hard == resource.RLIM_INFINITY else min(_FILES_WANTED, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
        return wanted
    return soft if soft != resource.RLIM_INFINITY else _FILES_WANTED


class SaidOnce(logging.Filter):
    """Lets the same complaint through once in a minute: who sends rubbish does not fill the terminal with it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, pause_s: float = 60.0) -> None:
        super().__init__()
        self._clock, self._pause_s = clock, pause_s
        self._said: dict[str, float] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a record is one to show."""
        now, text = self._clock(), str(record.msg)[:80]
        self._said = {known: at for known, at in self._said.items() if now - at < self._pause_s}
        return self._said.setdefault(text, now) == now and record.levelno >= logging.WARNING


# ---- uploads -----------------------------------------------------------------------------------------------------

#: Uploads under way at once of one visitor; files of one page that wait to be measured.
UPLOADS_AT_ONCE, FILES_WAITING = 6, 40
#: Bytes that wait of one visitor, and of all together, above which only those send on who hold less than their share.
BYTES_OF_ONE, MOST_BYTES = 400_000_000, 1024**3
_MOST_PAGES = 1000
_UPLOAD = re.compile(r"/_stcore/upload_file/([\w-]+)/[\w-]+")
_BUSY = "Too many uploads at once. Wait until they are through, then send the next photos."
_FULL = "Too many files wait to be measured. Take some out, or reload the page and wait a minute: what was measured is kept."

#: Gives, for each page (the session in the address of an upload), the sizes in bytes of its files that wait.
Waiting = Callable[[], Mapping[str, list[int]]]


class UploadRoom:
    """Counts the uploads under way, and asks the app what waits."""

    def __init__(self, waiting: Waiting = dict) -> None:
        self._waiting = waiting
        self._under_way: Counter[str] = Counter()
        self._pages: dict[str, str] = {}  # whose a page is

    @contextmanager
    def take(self, scope: MutableMapping[str, Any]) -> Iterator[str]:
        """Give a request room as long as it lasts, or say why not; one that is no upload always passes."""
        found = _UPLOAD.fullmatch(scope["path"])
        if not found or scope["method"] != "PUT":
            yield ""
            return
        page, visitor = found[1], find_client(scope)
        if refusal := self._refuse(page, visitor):
            yield refusal
            return
        self._under_way[visitor] += 1
        try:
            yield ""
        finally:
            self._under_way[visitor] -= 1
            self._under_way += Counter()  # forgets those at 0

    def _refuse(self, page: str, visitor: str) -> str:
        if self._under_way[visitor] >= UPLOADS_AT_ONCE:
            return _BUSY
        files, held = self._waiting(), Counter[str]()
        if len(self._pages) > _MOST_PAGES:
            self._pages = {known: its for known, its in self._pages.items() if known in files}
        self._pages[page] = visitor
        for known, sizes in files.items():
            held[self._pages.get(known, "")] += sum(sizes)
        share = MOST_BYTES / max(len(+held), 2)
        is_over = held[visitor] > BYTES_OF_ONE or (held.total() > MOST_BYTES and held[visitor] > share)
        return _FULL if is_over or len(files.get(page, ())) >= FILES_WAITING else ""
