"""The gate, driven as a server drives it: what passes, what is refused, and with what headers."""

import asyncio
import re
from typing import Any

import pytest
from test_door import Clock

from colourmatch.sharing.door import Door
from colourmatch.sharing.gate import BROWSER_HEADER, LEFT_PATH, VISITOR_HEADER, Gate

HERE, LAN, PHONE = "127.0.0.1", "192.168.1.20", "192.168.1.31"
PORT = 8501
#: Every kind of address that the app behind the gate answers.
PATHS = (
    "/", "/match", "/static/js/index.js", "/media/abc.png", "/component/x/index.html", "/_stcore/health",
    "/_stcore/metrics", "/_stcore/host-config", "/_stcore/upload_file/page/file", "/_stcore/bidi-components/x",
    "/_stcore/script-health-check", "//media/abc.png", "/../media/abc.png", "/share", "/favicon.png",
)  # fmt: skip


class App:
    """Stands for the app: writes down what reaches it, and answers."""

    def __init__(self) -> None:
        self.reached: list[dict[str, Any]] = []
        self.received: list[dict[str, Any]] = []

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        self.reached.append(scope)
        if scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.accept"})
            while (message := await receive())["type"] != "websocket.disconnect":
                self.received.append(message)
            return
        headers = [(b"content-type", b"text/html"), (b"x-frame-options", b"ALLOWALL")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": b"the app"})


class Answer:
    def __init__(self, messages: list[dict[str, Any]]) -> None:
        self.status = messages[0]["status"]
        self.headers = {name.decode(): value.decode() for name, value in messages[0]["headers"]}
        self.text = b"".join(message.get("body", b"") for message in messages[1:]).decode()


def make_scope(server: str, path: str = "/", method: str = "GET", **headers: str) -> dict[str, Any]:
    given = {"host": f"{server}:{PORT}", "accept": "text/html"}
    given |= {name.replace("_", "-"): value for name, value in headers.items()}
    return {
        "type": "http", "method": method, "path": path, "query_string": b"", "server": (server, PORT),
        "client": (HERE if server == HERE else PHONE, 50000),
        "headers": [(k.encode(), v.encode()) for k, v in given.items()],
    }  # fmt: skip


def ask(gate: Gate, scope: dict[str, Any], body: bytes = b"") -> Answer:
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(gate(scope, receive, send))
    return Answer(sent)


def enter(gate: Gate, code: str, path: str = "/") -> Answer:
    return ask(gate, make_scope(LAN, path, "POST", origin=f"http://{LAN}:{PORT}"), b"code=" + code.encode())


def cookie_of(answer: Answer) -> str:
    return answer.headers["set-cookie"].split(";")[0]


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def door(clock: Clock) -> Door:
    return Door(f"http://{LAN}:{PORT}", clock)


@pytest.fixture
def app() -> App:
    return App()


@pytest.fixture
def gate(app: App, door: Door) -> Gate:
    return Gate(app, door, "cookie_8501")


def test_a_page_is_not_kept_and_the_gate_idle_until_the_first_request(gate):
    """With the page its connection would be kept, and what was typed there would stay with that visit."""
    assert gate.idle_s() == float("inf")
    assert ask(gate, make_scope(HERE)).headers["cache-control"] == "no-store"
    assert 0 <= gate.idle_s() < float("inf")


@pytest.mark.parametrize("host", ["127.0.0.1:8501", "localhost:8501", "[::1]:8501"])
def test_this_machine_needs_no_code(gate, app, host):
    assert ask(gate, make_scope(HERE, host=host)).text == "the app"
    assert (VISITOR_HEADER.encode(), b"here") in app.reached[0]["headers"]


@pytest.mark.parametrize(
    "headers",
    [
        {"host": "rebound.example:8501"}, {"host": "127.0.0.1.example"}, {"host": ""}, {"host": f"{LAN}:8501"},
        {"host": "[::1"}, {"origin": "http://rebound.example"}, {"origin": "http://localhost:3000"},
        {"origin": "null"}, {"origin": "http://[bad"}, {"sec_fetch_site": "cross-site", "sec_fetch_mode": "no-cors"},
        {"sec_fetch_site": "same-site", "sec_fetch_mode": "cors"},
    ],
)  # fmt: skip
def test_another_name_or_site_does_not_get_in(gate, app, headers):
    answer = ask(gate, make_scope(HERE, **headers))
    assert answer.status == 403 and "another site or names another machine" in answer.text
    assert not app.reached


def test_a_link_may_be_followed_and_without_a_door_the_network_gets_nothing(gate, app):
    answer = ask(Gate(app), make_scope(LAN))
    assert answer.status == 403 and "colourmatch app --share" in answer.text and not app.reached
    followed = {"sec_fetch_site": "cross-site", "sec_fetch_mode": "navigate"}
    assert ask(gate, make_scope(HERE, **followed)).status == 200


def test_answers_cannot_be_framed_or_sniffed(gate):
    page, file = ask(gate, make_scope(HERE)), ask(gate, make_scope(HERE, "/media/abc.html"))
    for answer in (page, file):
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "SAMEORIGIN"
        assert answer.headers["referrer-policy"] == "same-origin"
    assert "frame-ancestors 'self'" in page.headers["content-security-policy"]
    assert file.headers["content-security-policy"].startswith("sandbox; default-src 'none'")


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "DELETE", "OPTIONS", "PATCH"])
def test_nothing_is_served_before_the_code(gate, app, path, method):
    for accept in ("text/html", "*/*"):
        answer = ask(gate, make_scope(LAN, path, method, accept=accept, x_colourmatch_visitor="here"))
        assert answer.status == 401 and not app.reached
        assert "access code" in answer.text and answer.headers["cache-control"] == "no-store"


def test_the_code_gives_a_cookie_and_the_page_that_was_asked_for(gate, app, door):
    answer = enter(gate, door.code.lower().replace("-", " "), "/match")
    assert answer.status == 303 and answer.headers["location"] == "/match"
    name, *rest = answer.headers["set-cookie"].split("; ")
    assert name.startswith("cookie_8501=") and rest == ["Path=/", "HttpOnly", "SameSite=Strict"]
    assert door.code not in name
    scope = make_scope(LAN, "/match", cookie=f"other=1; {name}", x_colourmatch_visitor="here")
    assert ask(gate, scope).text == "the app"
    marks = [value for key, value in app.reached[0]["headers"] if key == VISITOR_HEADER.encode()]
    assert marks == [b"shared"]


@pytest.mark.parametrize("path", ["//evil.example", "/\\evil.example", "/a/b", "/é"])
def test_it_leads_nowhere_else(gate, door, path):
    assert enter(gate, door.code, path).headers["location"] == "/"


@pytest.mark.parametrize("cookie", ["", "cookie_8501=", "cookie_8501=x", "=", "cookie_8501=\\", "\x00", "a b c"])
def test_another_cookie_does_not_get_in(gate, app, door, cookie):
    enter(gate, door.code)
    assert ask(gate, make_scope(LAN, cookie=cookie)).status == 401 and not app.reached


def test_a_wrong_code_must_wait_and_a_reload_does_not_help(gate, app, door, clock):
    wrong = enter(gate, "AAAA-AAAA")
    assert wrong.status == 401 and "That is not the code." in wrong.text and "set-cookie" not in wrong.headers
    again = ask(gate, make_scope(LAN))
    assert 'data-wait="1"' in again.text and "Try again in" in again.text
    early = enter(gate, door.code)
    assert early.status == 429 and early.headers["retry-after"] == "2" and "set-cookie" not in early.headers
    clock.now += 1
    assert enter(gate, "BBBB-BBBB").status == 401
    assert 'data-wait="2"' in ask(gate, make_scope(LAN)).text
    clock.now += 2
    assert enter(gate, door.code).status == 303 and not app.reached


@pytest.mark.parametrize("body", [b"", b"code", b"code=" + b"A" * 5000, b"\xff=\xff", b"&".join([b"a=1"] * 99)])
def test_any_body_is_taken_as_a_wrong_code(gate, body):
    answer = ask(gate, make_scope(LAN, "/", "POST", origin=f"http://{LAN}:{PORT}"), body)
    assert answer.status == 401 and "That is not the code." in answer.text


@pytest.mark.parametrize("headers", [{"host": "name.example:8501"}, {"origin": "http://evil.example"}])
def test_another_site_cannot_even_try(gate, door, headers):
    answer = ask(gate, make_scope(LAN, "/", "POST", **headers), b"code=" + door.code.encode())
    assert answer.status == 403 and door.count_inside() == 0


def test_the_entry_page_runs_its_own_script_only_and_repeats_nothing_typed(gate):
    answer = enter(gate, "<script>alert(1)</script>")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy and "alert(" not in answer.text
    assert not re.search(r"https?://", answer.text)
    for words in ("can see and change the lot book", "not encrypted", "autofocus", 'lang="en"'):
        assert words in answer.text


def test_stopping_ends_what_was_let_in(gate, app, door):
    cookie = cookie_of(enter(gate, door.code))
    door.close()
    answer = ask(gate, make_scope(LAN, cookie=cookie))
    assert answer.status == 403 and "Sharing is stopped" in answer.text and not app.reached
    assert ask(gate, make_scope(HERE)).status == 200


def make_socket(server: str, **headers: str) -> dict[str, Any]:
    scope = make_scope(server, "/_stcore/stream", **{"origin": f"http://{server}:{PORT}"} | headers)
    return scope | {"type": "websocket"}


def open_socket(gate: Gate, scope: dict[str, Any], act: Any = None) -> list[dict[str, Any]]:
    """Open a socket, send one message, then do something; what came back."""
    sent: list[dict[str, Any]] = []

    async def run() -> None:
        coming: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        for message in ({"type": "websocket.connect"}, {"type": "websocket.receive", "bytes": b"tap"}):
            coming.put_nowait(message)

        async def send(message: Any) -> None:
            sent.append(message)

        task = asyncio.create_task(gate(scope, coming.get, send))
        await asyncio.sleep(0.01)
        if act:
            act()
        else:
            coming.put_nowait({"type": "websocket.disconnect", "code": 1000})
        await asyncio.wait_for(task, 60)

    asyncio.run(run())
    return sent


def test_a_socket_of_this_machine_and_one_with_the_cookie_pass(gate, app, door):
    assert open_socket(gate, make_socket(HERE)) == [{"type": "websocket.accept"}]
    cookie = cookie_of(enter(gate, door.code))
    assert open_socket(gate, make_socket(LAN, cookie=cookie)) == [{"type": "websocket.accept"}]
    assert [message["bytes"] for message in app.received] == [b"tap", b"tap"]


@pytest.mark.parametrize("server", [HERE, LAN])
@pytest.mark.parametrize("headers", [{"origin": "http://evil.example"}, {"host": "evil.example"}])
def test_a_socket_of_another_site_is_refused(gate, app, door, server, headers):
    cookie = cookie_of(enter(gate, door.code))
    sent = open_socket(gate, make_socket(server, cookie=cookie, **headers))
    assert sent == [{"type": "websocket.close", "code": 1008}] and not app.reached


def test_a_socket_without_origin_or_cookie_is_refused(gate, app):
    bare = make_socket(HERE)
    bare["headers"] = [(name, value) for name, value in bare["headers"] if name != b"origin"]
    for scope in (bare, make_socket(LAN)):
        assert open_socket(gate, scope) == [{"type": "websocket.close", "code": 1008}]
    assert not app.reached


def test_stopping_closes_an_open_socket(gate, app, door):
    cookie = cookie_of(enter(gate, door.code))
    sent = open_socket(gate, make_socket(LAN, cookie=cookie), door.close)
    assert sent == [{"type": "websocket.accept"}, {"type": "websocket.close", "code": 1008}]


def test_an_encrypted_visit_goes_by_the_certificates_name_and_its_cookie_is_never_sent_plainly(gate, door):
    named = f"colour.example:{PORT}"
    scope = make_scope(LAN, "/", "POST", origin=f"https://{named}", host=named)
    assert ask(gate, scope, b"code=" + door.code.encode()).status == 403
    answer = ask(gate, scope | {"scheme": "https"}, b"code=" + door.code.encode())
    assert answer.status == 303 and answer.headers["set-cookie"].endswith("; Secure")
    page = ask(gate, make_scope(LAN) | {"scheme": "https"}).text
    assert "not encrypted" not in page and "not encrypted" in ask(gate, make_scope(LAN)).text


def test_too_many_waiting_files_are_refused_with_what_to_do(app):
    gate = Gate(app, waiting=lambda: {"page": [1] * 40})
    paths = [f"/_stcore/upload_file/{page}/file" for page in ("page", "other")]
    answers = [ask(gate, make_scope(HERE, path, "PUT")) for path in paths]
    assert [answer.status for answer in answers] == [429, 200]
    assert "Take some out, or reload the page" in answers[0].text


def test_a_page_says_that_it_is_left(app, door):
    left: list[str] = []
    gate = Gate(app, door, "cookie_8501", left=left.append)
    shared = make_scope(LAN, LEFT_PATH, "POST", cookie=cookie_of(enter(gate, door.code)))
    for scope in (make_scope(HERE, LEFT_PATH, "POST"), shared):
        assert ask(gate, scope, body=b"session").status == 204
    ask(gate, make_scope(LAN, LEFT_PATH, "POST"), body=b"session")
    assert left == ["session", "session"] and not app.reached


def test_a_browser_is_marked_with_its_first_page_and_known_again(gate, app):
    first = ask(gate, make_scope(HERE))
    name, *rest = first.headers["set-cookie"].split("; ")
    assert name.startswith("cookie_8501_browser=") and {"HttpOnly", "SameSite=Lax", "Path=/"} <= set(rest)
    for _ in range(2):
        again = ask(gate, make_scope(HERE, cookie=name, x_colourmatch_browser="another's"))
        assert "set-cookie" not in again.headers
    known = [dict(scope["headers"])[BROWSER_HEADER.encode()] for scope in app.reached]
    assert known[0] == b"" and len(known[1]) == 64 and known[1] == known[2]
    assert name.split("=")[1].encode() not in known[1]


def test_the_mark_lets_nobody_in(gate, app):
    name = ask(gate, make_scope(HERE)).headers["set-cookie"].split("; ")[0]
    value = name.split("=")[1]
    answer = ask(gate, make_scope(LAN, cookie=f"{name}; cookie_8501={value}"))
    assert answer.status == 401 and "set-cookie" not in answer.headers and len(app.reached) == 1
