"""Half-sent requests and crowds of connections, against a real server, and how many uploads are let through."""

import logging
import socket
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest
import uvicorn

from colourmatch.sharing import connections
from colourmatch.sharing.connections import Connections, GuardedProtocol, UploadRoom

#: Stands for this machine, the others of the same network for everybody else.
HERE = "127.0.0.1"


async def app(_scope: Any, receive: Any, send: Any) -> None:
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if not message.get("more_body"):
            break
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": str(len(body)).encode()})


class Served:
    def __init__(self, listening: socket.socket, protocol: type[GuardedProtocol]) -> None:
        self.port, self.connections = listening.getsockname()[1], protocol.connections_open
        self.url = f"http://{HERE}:{self.port}/"

    def connect(self, stack: ExitStack, source: str, data: bytes = b"") -> socket.socket:
        one = stack.enter_context(socket.create_connection((HERE, self.port), 60, (source, 0)))
        one.sendall(data)
        return one


@pytest.fixture
def served() -> Iterator[Served]:
    class Quick(GuardedProtocol):
        connections_open = Connections(lambda address: address == HERE)
        head_s = body_s = 0.5

    with socket.create_server((HERE, 0), backlog=500) as listening:
        config = uvicorn.Config(app, lifespan="off", http=Quick, log_level="error")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        while not server.started:
            time.sleep(0.01)
        yield Served(listening, Quick)
        server.should_exit = True
        thread.join()


def ends(one: socket.socket) -> bool:
    """Whether the server closes a connection, and within a minute."""
    one.settimeout(60)
    try:
        while one.recv(4096):
            pass
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False
    return True


HALVES = {
    "nothing": b"",
    "half a line": b"GE",
    "half a head": b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ",
    "half a body": b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000\r\n\r\ncode=",
    "half a chunk": b"POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nab",
    "half of a second": b"GET / HTTP/1.1\r\nHost: x\r\n\r\nGET / HT",
}


@pytest.mark.parametrize("sent", HALVES.values(), ids=HALVES)
def test_half_a_request_is_cut_off(served, sent):
    with ExitStack() as stack:
        assert ends(served.connect(stack, "127.0.0.2", sent))


def test_a_head_that_drips_is_cut_off(served):
    with ExitStack() as stack:
        one = served.connect(stack, "127.0.0.2", b"GET / HTTP/1.1\r\n")
        with pytest.raises((ConnectionError, TimeoutError)):
            for _ in range(100):
                one.sendall(b"X-A: b\r\n")
                time.sleep(0.05)


def test_a_body_that_comes_at_a_fair_pace_is_taken(served):
    with ExitStack() as stack:
        head = b"POST / HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: 200000\r\n\r\n"
        one = served.connect(stack, "127.0.0.2", head)
        for _ in range(10):
            one.sendall(bytes(20_000))
            time.sleep(0.1)
        one.settimeout(60)
        assert b"200000" in b"".join(iter(lambda: one.recv(4096), b""))


def test_a_crowd_keeps_nobody_out(served):
    with ExitStack() as stack:
        for n in range(300):  # 30 addresses, all that a small network may hold
            served.connect(stack, f"127.0.1.{n % 30}", b"GET / HTTP/1.1\r\n")
        for source in (HERE, "127.0.0.9"):
            one = served.connect(stack, source, b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
            assert one.recv(4096).startswith(b"HTTP/1.1 200")
        assert len(served.connections._open) <= connections.MOST_SHARED + connections.MOST_HERE


def test_one_address_has_its_share(served):
    with ExitStack() as stack:
        for _ in range(200):
            served.connect(stack, "127.0.0.7", b"GE")
        urllib.request.urlopen(served.url, timeout=60).read()
        assert len(served.connections._open) <= connections.MOST_OF_ONE + 1


def test_connections_stay_below_the_file_limit():
    class Known:
        address = "192.168.1.2"

        def is_waiting(self) -> bool:
            return False

    class Transport:
        def is_closing(self) -> bool:
            return False

    room = Connections()
    room.fit(256)
    admitted = [room.admit(Transport(), Known()) for _ in range(100)]
    assert 4 <= sum(admitted) < connections.MOST_OF_ONE
    assert connections.raise_file_limit() >= 256


def test_the_same_complaint_is_shown_once_in_a_minute():
    now = [0.0]
    once = connections.SaidOnce(lambda: now[0])

    def shown(text: str, level: int = logging.WARNING) -> bool:
        return once.filter(logging.LogRecord("x", level, "", 0, text, (), None))

    assert shown("Invalid HTTP request received.") and not shown("other", logging.INFO)
    now[0] = 1.0
    assert not shown("Invalid HTTP request received.") and shown("another")
    now[0] = 62.0
    assert shown("Invalid HTTP request received.")


class Upload(ExitStack):
    """A request that lasts until it ends."""

    def __init__(self, room: UploadRoom, scope: dict[str, object]) -> None:
        super().__init__()
        self.refusal = self.enter_context(room.take(scope))
        self.end = self.close


def put(room: UploadRoom, page: str, file: str = "file", method: str = "PUT", visitor: str = "192.168.1.9") -> Upload:
    path = f"/_stcore/upload_file/{page}/{file}"
    return Upload(room, {"path": path, "method": method, "client": (visitor, 50000)})


@pytest.mark.parametrize("method", ["OPTIONS", "DELETE"])
def test_other_requests_pass(method):
    room = UploadRoom(lambda: {"page": [1] * 1000})
    assert not Upload(room, {"path": "/", "method": "GET"}).refusal
    assert not put(room, "page", method=method).refusal


def test_uploads_under_way_are_bounded_and_make_room_when_they_end():
    room = UploadRoom()
    under_way = [put(room, "page", f"file-{n}") for n in range(connections.UPLOADS_AT_ONCE)]
    assert not any(upload.refusal for upload in under_way)
    refused = put(room, "other")
    assert refused.refusal.startswith("Too many uploads at once. Wait")
    refused.end()
    assert put(room, "other").refusal
    assert not put(room, "third", visitor="192.168.1.10").refusal
    under_way[0].end()
    assert not put(room, "other").refusal


def test_files_of_a_page_and_of_a_visitor_are_bounded():
    files = {"page": [10] * connections.FILES_WAITING}
    room = UploadRoom(lambda: files)
    assert "Take some out, or reload" in put(room, "page").refusal
    assert not put(room, "other").refusal
    files["page"].pop()
    assert not put(room, "page").refusal
    files: dict[str, list[int]] = {}
    room = UploadRoom(lambda: files)
    assert not put(room, "one", visitor="a").refusal
    files["one"] = [connections.BYTES_OF_ONE + 1]
    assert "wait a minute" in put(room, "one", visitor="a").refusal
    assert put(room, "one-more", visitor="a").refusal
    assert not put(room, "two", visitor="b").refusal
    for page, visitor in (("two", "b"), ("three", "c"), ("four", "d")):
        assert not put(room, page, visitor=visitor).refusal
        files[page] = [connections.BYTES_OF_ONE]
    assert sum(map(sum, files.values())) > connections.MOST_BYTES
    assert put(room, "two", visitor="b").refusal and not put(room, "five", visitor="e").refusal
    del files["one"], files["three"]
    assert not put(room, "one-more", visitor="a").refusal
