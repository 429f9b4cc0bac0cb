"""How many uploads may be under way and lie waiting, of one page or one visitor, an address: whoever sends too much
keeps nobody else from sending. How large one file may be is the app's own limit."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass
from typing import Any

#: Uploads under way at once of one visitor; files of one page that wait to be measured.
MOST_AT_ONCE, MOST_WAITING = 6, 40
#: Bytes that wait of one visitor, and of all together, above which only those send on who hold less than their share.
MOST_OF_ONE, MOST_BYTES = 400_000_000, 1024**3
_MOST_PAGES = 1000
_UPLOAD = re.compile(r"/_stcore/upload_file/([\w-]+)/[\w-]+")
_BUSY = "Too many uploads at once. Wait until they are through, then send the next photos."
_FULL = "Too many files wait to be measured. Take some out, or reload the page and wait a minute: what was measured is kept."

#: Gives, for each page (the session in the address of an upload), the sizes in bytes of its files that wait.
Waiting = Callable[[], Mapping[str, list[int]]]


@dataclass(frozen=True)
class Upload:
    """Whether an upload was let through, and what to call when it is over."""

    refusal: str = ""
    end: Callable[[], None] = lambda: None


class UploadRoom:
    """Counts the uploads under way, and asks the app what waits."""

    def __init__(self, waiting: Waiting = dict) -> None:
        self._waiting = waiting
        self._under_way: Counter[str] = Counter()
        self._pages: dict[str, str] = {}  # whose a page is

    def take(self, scope: MutableMapping[str, Any]) -> Upload:
        """Let a request through, or say why not; a request that is no upload always passes."""
        found = _UPLOAD.fullmatch(scope["path"])
        if not found or scope["method"] != "PUT":
            return Upload()
        page, visitor = found[1], str((scope.get("client") or ("unknown", 0))[0])
        if self._under_way[visitor] >= MOST_AT_ONCE:
            return Upload(_BUSY)
        files = self._waiting()
        if len(self._pages) > _MOST_PAGES:
            self._pages = {known: its for known, its in self._pages.items() if known in files}
        self._pages[page] = visitor
        if len(files.get(page, ())) >= MOST_WAITING or self._is_over(visitor, files):
            return Upload(_FULL)
        self._under_way[visitor] += 1
        return Upload(end=lambda: self._end(visitor))

    def _is_over(self, visitor: str, files: Mapping[str, list[int]]) -> bool:
        held: Counter[str] = Counter()
        for page, sizes in files.items():
            held[self._pages.get(page, "")] += sum(sizes)
        share = MOST_BYTES / max(len(+held), 2)
        return held[visitor] > MOST_OF_ONE or (held.total() > MOST_BYTES and held[visitor] > share)

    def _end(self, visitor: str) -> None:
        self._under_way[visitor] -= 1
        self._under_way += Counter()  # forgets those at 0
