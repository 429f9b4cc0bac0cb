"""How many uploads may be under way and lie waiting; how large one may be is the app's own limit."""

from __future__ import annotations

import re
from collections.abc import Callable, MutableMapping
from dataclasses import dataclass
from typing import Any

#: Uploads under way at once from all browsers, and files of one page that wait to be measured.
MOST_AT_ONCE, MOST_WAITING = 6, 60
_UPLOAD = re.compile(r"/_stcore/upload_file/([\w-]+)/([\w-]+)")
_TOO_MANY = "Too many uploads at once. Wait until they are through, then send the next photos."
_FULL = "This page has taken in {} files. Reload it, then send the next photos: what was measured is kept."
_MOST_PAGES = 256


@dataclass(frozen=True)
class Upload:
    """Whether an upload was let through, and what to call when it is over."""

    refusal: str = ""
    end: Callable[[], None] = lambda: None


class UploadRoom:
    """Counts uploads under way, and the files of each page (the session in their address)."""

    def __init__(self) -> None:
        self._under_way = 0
        self._files: dict[str, set[str]] = {}

    def take(self, scope: MutableMapping[str, Any]) -> Upload:
        """Let a request through, or say why not; a request that is no upload always passes."""
        found = _UPLOAD.fullmatch(scope["path"])
        if not found:
            return Upload()
        page, file = found.groups()
        if scope["method"] == "DELETE":
            self._files.get(page, set()).discard(file)
        if scope["method"] != "PUT":
            return Upload()
        if self._under_way >= MOST_AT_ONCE:
            return Upload(_TOO_MANY)
        files = self._files.setdefault(page, set())
        if len(files | {file}) > MOST_WAITING:
            return Upload(_FULL.format(MOST_WAITING))
        files.add(file)
        if len(self._files) > _MOST_PAGES:
            self._files.pop(next(iter(self._files)))
        self._under_way += 1
        return Upload(end=self._end)

    def _end(self) -> None:
        self._under_way -= 1
