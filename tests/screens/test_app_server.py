"""The server: plain for this machine, encrypted for the network; what it prepares, and gives back when a page is left."""

import asyncio
import importlib
import shutil
import socket
import ssl
import subprocess
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from colourmatch.errors import InputError
from colourmatch.screens import server
from colourmatch.sharing.connections import GuardedProtocol
from colourmatch.sharing.door import Door
from colourmatch.sharing.gate import Gate
from colourmatch.sharing.network import read_certificate, show_address


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for 127.0.0.2 and its key."""
    if not shutil.which("openssl"):
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("tls")
    call = "openssl req -x509 -newkey rsa:2048 -nodes -subj /CN=colourmatch -days 9 -addext subjectAltName=IP:127.0.0.2"
    call += " -keyout key.pem -out certificate.pem"
    subprocess.run(call.split(), cwd=folder, check=True, capture_output=True)
    return folder / "certificate.pem", folder / "key.pem"


async def app(_scope: Any, _receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"the app"})


@pytest.fixture
def served(pair: tuple[Path, Path]) -> Iterator[tuple[int, Door]]:
    """A server at 127.0.0.1, and encrypted at 127.0.0.2, which stands for the network; its port and its door."""
    with socket.create_server(("127.0.0.1", 0)) as here:
        port = here.getsockname()[1]
        with socket.create_server(("127.0.0.2", port)) as shared:
            door = Door(show_address("127.0.0.2", port, encrypted=True))
            config = uvicorn.Config(Gate(app, door), lifespan="off", log_level="error", http=GuardedProtocol)
            running = server._Server(config, read_certificate(*map(str, pair)))
            door.when_closed(lambda: running.close_at([shared]))
            thread = threading.Thread(target=running.run, args=([here, shared],))
            thread.start()
            while not running.started:
                time.sleep(0.01)
            yield port, door
            running.should_exit = True
            thread.join()


def test_this_machine_is_served_plainly_the_network_encrypted_and_idle_handshakes_stop_nobody(served, pair):
    port, door = served
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=60) as reply:
        assert reply.read() == b"the app"
    trust = ssl.create_default_context(cafile=str(pair[0]))
    with pytest.raises((OSError, urllib.error.URLError)):
        urllib.request.urlopen(f"http://127.0.0.2:{port}/", timeout=60)
    assert door.url == f"https://127.0.0.2:{port}"
    idle = [socket.create_connection(("127.0.0.2", port)) for _ in range(60)]
    with urllib.request.urlopen(door.url, timeout=60, context=trust) as reply:  # a loopback address, so it is in
        assert reply.read() == b"the app"
    for one in idle:
        one.close()


def test_the_network_is_listened_to_for_a_while_after_sharing(served, pair, monkeypatch):
    port, door = served
    monkeypatch.setattr(server, "_TELLS_S", 8.0)
    trust = ssl.create_default_context(cafile=str(pair[0]))
    door.close()
    with urllib.request.urlopen(door.url, timeout=60, context=trust) as reply:
        assert reply.status == 200

    def is_open() -> bool:
        with socket.socket() as one:
            return one.connect_ex(("127.0.0.2", port)) == 0

    until = time.monotonic() + 60
    while is_open() and time.monotonic() < until:
        time.sleep(0.05)
    assert not is_open()
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=60) as reply:
        assert reply.read() == b"the app"


def test_files_that_are_no_pair_are_refused_with_what_to_do(pair, tmp_path):
    certificate, key = map(str, pair)
    assert read_certificate(None, None) is None
    locked = tmp_path / "locked.pem"
    call = ["openssl", "rsa", "-in", key, "-aes256", "-passout", "pass:secret", "-out", str(locked)]
    subprocess.run(call, check=True, capture_output=True)
    wrong = (
        ((certificate, None), "belong together"),
        ((certificate, str(tmp_path / "none")), "cannot be read"),
    )
    same = (certificate, certificate), "no certificate and its key"
    for given, why in (*wrong, same, ((certificate, str(locked)), "without a password")):
        with pytest.raises(InputError, match=why):
            read_certificate(*given)


class Idle:
    """A gate that has been asked so many seconds ago, each time it is looked at."""

    def __init__(self, *seconds: float) -> None:
        self.seconds = list(seconds)

    def idle_s(self) -> float:
        return self.seconds.pop(0) if self.seconds else float("inf")


def test_it_prepares_while_nobody_asks_and_goes_on_after_a_failure(monkeypatch):
    assert [name for name in server._HEAVY if find_spec(name) is None] == []
    server._read_tables()
    done: list[object] = []

    def load(name: str) -> None:
        done.append(name)
        if name == server._HEAVY[1]:
            raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", load)
    monkeypatch.setattr(time, "sleep", lambda seconds: done.append("waits"))
    monkeypatch.setattr(server, "_read_tables", lambda: done.append("tables"))
    server._warm_up(Idle(float("inf"), 0.1, 0.1))
    assert done == [server._HEAVY[0], "waits", "waits", *server._HEAVY[1:], "tables"]


class Running:
    """Stands for Streamlit's runtime: a visit that stays connected for so many looks, and which were closed."""

    def __init__(self, looks: int) -> None:
        self.looks, self.closed = looks, []

    def is_active_session(self, _visit: str) -> bool:
        self.looks -= 1
        return self.looks >= 0

    def close_session(self, visit: str) -> None:
        self.closed.append(visit)


@pytest.mark.parametrize(("looks", "closed"), [(1, ["one"]), (2, [])])
def test_a_visit_that_was_left_is_closed_when_its_connection_has_ended(monkeypatch, looks, closed):
    running = Running(looks)
    monkeypatch.setattr(server.runtime, "get_instance", lambda: running)
    monkeypatch.setattr(server, "_LOOKS_S", (0.0, 0.0))

    async def go() -> None:
        server.leave("one")
        await asyncio.sleep(0.01)  # it is due after both looks, however late they are

    asyncio.run(go())
    assert running.closed == closed
