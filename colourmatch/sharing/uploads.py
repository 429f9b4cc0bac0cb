"""How many uploads may be under way and lie waiting; how large one file may be is the app's own limit."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass
from typing import Any

#: Uploads under way at once from all browsers; files of one page, and bytes of all pages, that wait to be measured.
MOST_AT_ONCE, MOST_WAITING, MOST_BYTES = 6, 40, 1024**3
_UPLOAD = re.compile(r"/_stcore/upload_file/([\w-]+)/[\w-]+")
_BUSY = "Too many uploads at once. Wait until they are through, then send the next photos."
_FULL = "Too many files wait to be measured. Take some out, or reload the page: what was measured is kept."

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
        self._waiting, self._under_way = waiting, 0

    def take(self, scope: MutableMapping[str, Any]) -> Upload:
        """Let a request through, or say why not; a request that is no upload always passes."""
        found = _UPLOAD.fullmatch(scope["path"])
        if not found or scope["method"] != "PUT":
            return Upload()
        if self._under_way >= MOST_AT_ONCE:
            return Upload(_BUSY)
        files = self._waiting()
        if len(files.get(found[1], ())) >= MOST_WAITING or sum(map(sum, files.values())) > MOST_BYTES:
            return Upload(_FULL)
        self._under_way += 1
        return Upload(end=self._end)

    def _end(self) -> None:
        self._under_way -= 1
