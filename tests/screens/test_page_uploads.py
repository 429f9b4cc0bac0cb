"""What a page that is left holds goes within a minute; one that is only cut off keeps it."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from colourmatch.screens import uploads


class Running:
    """Stands for Streamlit's runtime: which visits are connected, and which were closed."""

    def __init__(self, *connected: str) -> None:
        self.connected, self.closed = set(connected), []

    def is_active_session(self, visit: str) -> bool:
        return visit in self.connected

    def close_session(self, visit: str) -> None:
        self.closed.append(visit)


def leave(running: Running, monkeypatch: pytest.MonkeyPatch, after: Any = None) -> list[str]:
    monkeypatch.setattr(uploads.runtime, "get_instance", lambda: running)
    monkeypatch.setattr(uploads, "_LOOKS_S", (0.0, 0.05))

    async def go() -> None:
        uploads.leave("one")
        await asyncio.sleep(0.02)
        if after:
            after()
        await asyncio.sleep(0.1)

    asyncio.run(go())
    return running.closed


def test_a_visit_that_was_left_is_closed_when_its_connection_has_ended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    running = Running("one", "two")
    assert leave(running, monkeypatch, lambda: running.connected.discard("one")) == ["one"]
    assert leave(Running("one"), monkeypatch) == []  # it stays connected
