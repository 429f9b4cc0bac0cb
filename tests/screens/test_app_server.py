"""The server: plain for this machine, encrypted for the network where a certificate is given."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from colourmatch.errors import InputError
from colourmatch.screens.server import _Server
from colourmatch.sharing.connections import GuardedProtocol
from colourmatch.sharing.door import Door, tell_sharing
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
            server = _Server(config, read_certificate(*map(str, pair)))
            thread = threading.Thread(target=server.run, args=([here, shared],))
            thread.start()
            while not server.started:
                time.sleep(0.01)
            yield port, door
            server.should_exit = True
            thread.join()


def test_this_machine_is_served_plainly_the_network_encrypted_and_idle_handshakes_stop_nobody(
    served: tuple[int, Door], pair: tuple[Path, Path]
) -> None:
    port, door = served
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10) as reply:
        assert reply.read() == b"the app"
    trust = ssl.create_default_context(cafile=str(pair[0]))
    with pytest.raises((OSError, urllib.error.URLError)):
        urllib.request.urlopen(f"http://127.0.0.2:{port}/", timeout=10)
    assert door.url == f"https://127.0.0.2:{port}"
    idle = [socket.create_connection(("127.0.0.2", port)) for _ in range(60)]
    with urllib.request.urlopen(
        door.url, timeout=10, context=trust
    ) as reply:  # a loopback address, so it is in
        assert reply.read() == b"the app"
    for one in idle:
        one.close()


def test_files_that_are_no_pair_are_refused_with_what_to_do(pair: tuple[Path, Path], tmp_path: Path) -> None:
    certificate, key = map(str, pair)
    assert read_certificate(None, None) is None
    locked = tmp_path / "locked.pem"
    call = ["openssl", "rsa", "-in", key, "-aes256", "-passout", "pass:secret", "-out", str(locked)]
    subprocess.run(call, check=True, capture_output=True)
    for given, why in (
        ((certificate, None), "belong together"),
        ((certificate, str(tmp_path / "none")), "cannot be read"),
        ((certificate, certificate), "no certificate and its key"),
        ((certificate, str(locked)), "without a password"),
    ):
        with pytest.raises(InputError, match=why):
            read_certificate(*given)


def test_only_an_encrypted_connection_is_not_called_plain() -> None:
    assert "not encrypted" in tell_sharing("http://192.168.1.20:8501")
    assert "not encrypted" not in tell_sharing("https://192.168.1.20:8501")
