"""What the server prepares while nobody waits; that it serves is tried in tests/browser/."""

from __future__ import annotations

import importlib
import time
from importlib.util import find_spec

import pytest

from colourmatch.screens import server


class Idle:
    """A gate that has been asked so many seconds ago, each time it is looked at."""

    def __init__(self, *seconds: float) -> None:
        self.seconds = list(seconds)

    def idle_s(self) -> float:
        return self.seconds.pop(0) if self.seconds else float("inf")


def test_what_is_prepared_is_there() -> None:
    assert [name for name in server._HEAVY if find_spec(name) is None] == []
    server._read_tables()


def test_it_waits_while_a_page_is_asked_for_and_goes_on_after_a_failure(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done: list[object] = []

    def load(name: str) -> None:
        done.append(name)
        if name == server._HEAVY[1]:
            raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", load)
    monkeypatch.setattr(time, "sleep", lambda seconds: done.append("waits"))
    monkeypatch.setattr(server, "_read_tables", lambda: done.append("tables"))
    server._warm_up(Idle(float("inf"), 0.1, 0.1))  # type: ignore[arg-type]
    assert done == [server._HEAVY[0], "waits", "waits", *server._HEAVY[1:], "tables"]
