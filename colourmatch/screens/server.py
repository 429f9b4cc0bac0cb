"""Runs the app: Streamlit behind the gate, on sockets that are open already; it draws nothing. What a page held that is
left for good goes (connection.js); one that was only cut off, as a locked phone is, keeps it."""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import logging
import os
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any

import uvicorn
from streamlit import runtime

from colourmatch.errors import ColourMatchError
from colourmatch.sharing.connections import HEAD_S, GuardedProtocol, SaidOnce, raise_file_limit
from colourmatch.sharing.door import Door, set_door
from colourmatch.sharing.gate import Gate
from colourmatch.sharing.network import HERE

# A page's messages are small; photos come as uploads. Streamlit's own bound on what pages send is lower still.
_MOST_MESSAGE_BYTES = 32 * 1024 * 1024


#: So long after sharing stopped its socket still says so, and nothing else, to browsers that ask.
_TELLS_S = 60.0


class _Server(uvicorn.Server):
    """A server that encrypts at some of its sockets, and can stop listening there while it runs."""

    def __init__(self, config: uvicorn.Config, encryption: ssl.SSLContext | None = None) -> None:
        super().__init__(config)
        self._encryption = encryption

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """This machine is served plainly, its browsers know no certificate for 127.0.0.1; others as they are to be."""
        self.loop = asyncio.get_running_loop()
        await super().startup((sockets or [])[:1])
        for one in (sockets or [])[1:]:
            handshake_s = HEAD_S if self._encryption else None
            self.servers.append(
                await self.loop.create_server(
                    lambda: GuardedProtocol(self.config, self.server_state, self.lifespan.state),
                    sock=one, ssl=self._encryption, ssl_handshake_timeout=handshake_s,
                    backlog=self.config.backlog,
                )
            )  # fmt: skip

    def close_at(self, sockets: Iterable[socket.socket]) -> None:
        """Stop listening there in a while, when browsers have been told why; safe from any thread."""
        names = [one.getsockname() for one in sockets]

        def close() -> None:
            for listening in self.servers:
                if any(one.getsockname() in names for one in listening.sockets):
                    listening.close()

        self.loop.call_soon_threadsafe(self.loop.call_later, _TELLS_S, close)


def serve(
    script: Path,
    sockets: Iterable[socket.socket],
    door: Door | None = None,
    encryption: ssl.SSLContext | None = None,
) -> None:
    """Serve the app until it is stopped with Ctrl+C or a signal; closing the door closes its socket.

    The first of `sockets` is the one for this machine, the others are the door's, encrypted where it is said how.
    """
    sockets = list(sockets)
    port = sockets[0].getsockname()[1]
    # What the user has set for another app of this kind must not open this one.
    os.environ |= {
        "STREAMLIT_SERVER_ADDRESS": HERE,
        "STREAMLIT_SERVER_PORT": str(port),
        "STREAMLIT_SERVER_HEADLESS": "true",
        "STREAMLIT_SERVER_ENABLE_CORS": "true",
        "STREAMLIT_SERVER_ENABLE_XSRF_PROTECTION": "true",
        "STREAMLIT_SERVER_FILE_WATCHER_TYPE": "none",
        "STREAMLIT_BROWSER_GATHER_USAGE_STATS": "false",
        "STREAMLIT_BROWSER_SERVER_ADDRESS": HERE,
    }
    from streamlit.starlette import App

    set_door(door)
    gate = Gate(App(script), door, f"colourmatch_{port}", list_waiting, leave)
    config = uvicorn.Config(
        gate, access_log=False, log_level="warning", use_colors=False, ws="websockets-sansio",
        ws_max_size=_MOST_MESSAGE_BYTES, proxy_headers=False, server_header=False,
        timeout_graceful_shutdown=3, http=GuardedProtocol,
    )  # fmt: skip
    # Streamlit gives uvicorn's loggers handlers of its own; addresses of requests name sessions, so none is written.
    logging.getLogger("uvicorn.access").disabled = True
    for name in ("uvicorn.error", "asyncio", "websockets.server"):
        logging.getLogger(name).addFilter(SaidOnce())
    GuardedProtocol.connections_open.fit(raise_file_limit())
    server = _Server(config, encryption)
    if door is not None:
        door.when_closed(lambda: server.close_at(sockets[1:]))
    threading.Thread(target=_warm_up, args=(gate,), name="warm-up", daemon=True).start()
    server.run(sockets=sockets)


# ---- photos that Streamlit holds in memory -----------------------------------------------------------------------

#: When a visit that was left is looked at: its connection may end some time after its page.
_LOOKS_S = (1.0, 5.0, 20.0, 50.0)


def list_waiting() -> dict[str, list[int]]:
    """The sizes of the files of each visit, by its session; empty before the first one."""
    # The store is Streamlit's own and may change: without it only the count of uploads under way bounds them.
    with contextlib.suppress(AttributeError, RuntimeError):
        store: Any = runtime.get_instance().uploaded_file_mgr
        pages = list(store.file_storage.items())
        return {page: [len(file.data) for file in list(files.values())] for page, files in pages}
    return {}


def leave(visit: str) -> None:
    """Forget all that a visit holds once its connection has ended; called in the server's loop."""

    def close() -> None:
        with contextlib.suppress(AttributeError, KeyError, RuntimeError):
            running = runtime.get_instance()
            if not running.is_active_session(visit):
                running.close_session(visit)

    for seconds in _LOOKS_S:
        asyncio.get_running_loop().call_later(seconds, close)


_QUIET_S = 0.4
#: What Match and Lots need beyond the first page, the most wanted first, in small parts: between them a page may come.
_HEAVY = (
    "scipy.special",
    "scipy.optimize",
    "scipy.interpolate",
    "skimage.color.delta_e",
    "colourmatch.liquid.learn",
    "colourmatch.workflow.lot",
    "pandas",
    "plotly.graph_objects",
    "colourmatch.screens.match",
    "cv2",
    "colourmatch.screens.drawing",
    "pyarrow",
)


def _warm_up(gate: Gate) -> None:
    """Import what the pages will need while nobody waits for an answer: it would take the processor from them.

    It begins with the server, before a browser is there, and reads the tables that the first fit would read.
    """
    steps: list[Callable[[], object]] = [partial(importlib.import_module, name) for name in _HEAVY]
    for step in (*steps, _read_tables):
        while gate.idle_s() < _QUIET_S:
            time.sleep(_QUIET_S / 4)
        with contextlib.suppress(ImportError, ColourMatchError, OSError):  # the page that needs it says so
            step()


def _read_tables() -> None:
    """The colourants, their shapes and limits, the observer and lights: read once, and kept where they are read."""
    from colourmatch.colour.spectra import integration_weights
    from colourmatch.dosing.limits import limits_for, list_jurisdictions
    from colourmatch.liquid.colourants import list_colourants

    codes = [colourant.e_number for colourant in list_colourants() if colourant.shape.any()]
    for place in list_jurisdictions():
        limits_for(codes, place)
    for light in ("D65", "A"):  # A, the second light that Match shows, imports colour-science
        integration_weights(light)
