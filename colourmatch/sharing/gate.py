"""The gate in front of the whole app, whatever that shows: who may pass, and with what headers. A connection to the
loopback address comes from this machine and passes; every other one needs the cookie of a visit that began with the
access code."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import math
import re
import secrets
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from string import Template
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from colourmatch.sharing.connections import UploadRoom, Waiting, find_client, is_loopback
from colourmatch.sharing.door import Door, Visit

#: Tells the app behind the gate where a visitor sits: "here" or "shared". A browser cannot set it.
VISITOR_HEADER = "x-colourmatch-visitor"
#: Tells one browser from another, for what it typed and did not send; it lets nobody in.
BROWSER_HEADER = "x-colourmatch-browser"
#: Where a page says that it is left, with the session that it had: what that holds may go.
LEFT_PATH = "/_colourmatch/left"
_MOST_FORM_BYTES = 1024
_FIRM = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "x-frame-options": "SAMEORIGIN",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}
# The pages fetch nothing from elsewhere; the frontend compiles chart code (eval) and writes its styles inline.
_APP_POLICY = (
    "default-src 'self' data: blob:; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; "
    "style-src 'self' 'unsafe-inline'; connect-src 'self' data: blob:; object-src 'none'; base-uri 'self'; "
    "form-action 'self'; frame-ancestors 'self'"
)
# Whatever a file of the app holds, it is shown or saved and runs nothing.
_FILE_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:"
_STOPPED = "Sharing is stopped on the machine that runs colourmatch. Start it there again: colourmatch app --share"
_NO_VISIT = "Enter the access code first: open this address in a browser."
_ELSEWHERE = "This request comes from another site or names another machine. Open the app at the address it printed."


class Gate:
    """Wraps an ASGI application; without a door nobody but this machine passes."""

    def __init__(
        self,
        app: ASGIApp,
        door: Door | None = None,
        cookie: str = "colourmatch",
        waiting: Waiting = dict,
        left: Callable[[str], None] = lambda session: None,
    ) -> None:
        self._app, self._door, self._cookie = app, door, cookie
        self._room, self._left = UploadRoom(waiting), left
        self._asked_at = -math.inf

    def idle_s(self) -> float:
        """Seconds since the last request came; infinite before the first one."""
        return time.monotonic() - self._asked_at

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        self._asked_at = time.monotonic()
        headers = Headers(scope=scope)
        here = is_loopback((scope.get("server") or ("", 0))[0])
        browser, answer = self._know_browser(scope, headers, send)
        if not _fits_host(headers, scope, here) or not _fits_origin(headers, scope["type"] == "websocket"):
            await _refuse(403, _ELSEWHERE)(scope, receive, send)
        elif here:
            await self._pass(_marked(scope, "here", browser), receive, answer)
        elif self._door is None or not self._door.open:
            await _refuse(403, _STOPPED)(scope, receive, send)
        elif (visit := self._door.find_visit(_read_cookie(headers, self._cookie))) is not None:
            await self._pass_visit(_marked(scope, "shared", browser), receive, answer, self._door, visit)
        elif scope["type"] == "http" and scope["method"] == "POST":
            await (await self._take_code(self._door, scope, receive))(scope, receive, send)
        elif scope["type"] == "http" and "text/html" in headers.get("accept", ""):
            await _entry_page(scope, 401, self._door.wait_s(find_client(scope)))(scope, receive, send)
        else:
            await _refuse(401, _NO_VISIT)(scope, receive, send)

    def _know_browser(self, scope: Scope, headers: Mapping[str, str], send: Send) -> tuple[str, Send]:
        """A digest of the browser's own mark; one that comes without gets it with its first page."""
        name = f"{self._cookie}_browser"
        mark = _read_cookie(headers, name)[:64]
        if mark:
            return hashlib.sha256(mark.encode("utf-8", "replace")).hexdigest(), send
        if scope["type"] != "http" or "text/html" not in headers.get("accept", ""):
            return "", send
        cookie = f"{name}={secrets.token_urlsafe(16)}; Path=/; Max-Age=2592000; HttpOnly; SameSite=Lax"

        async def send_mark(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).append("set-cookie", cookie)
            await send(message)

        return "", send_mark

    async def _pass(self, scope: Scope, receive: Receive, send: Send) -> None:
        """On to the app, uploads within their room, answers with firm headers."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if scope["path"] == LEFT_PATH and scope["method"] == "POST":
            self._left((await _read_small(receive)).decode("ascii", "replace"))
            await _answer(204)(scope, receive, send)
            return
        with self._room.take(scope) as refusal:
            if refusal:
                await _refuse(429, refusal)(scope, receive, send)
            else:
                await self._app(scope, receive, _firm(scope["path"], send))

    async def _pass_visit(self, scope: Scope, receive: Receive, send: Send, door: Door, visit: Visit) -> None:
        """As `_pass`; an open socket is closed from this side when the visit ends."""
        if scope["type"] != "websocket":
            await self._pass(scope, receive, send)
            return
        loop, ended = asyncio.get_running_loop(), asyncio.Event()

        def leave() -> None:
            loop.call_soon_threadsafe(ended.set)

        visit.leaving.append(leave)
        try:
            await self._app(scope, *_ending_with(ended, receive, send, lambda: door.touch(visit)))
        finally:
            if leave in visit.leaving:
                visit.leaving.remove(leave)

    async def _take_code(self, door: Door, scope: Scope, receive: Receive) -> Response:
        """A code that was sent: a cookie and the page that was asked for, or the entry page again."""
        address = find_client(scope)
        if (wait := door.wait_s(address)) > 0:
            return _entry_page(scope, 429, wait)
        token = door.enter(await _read_code(receive), address)
        if token is None:
            return _entry_page(scope, 401, door.wait_s(address), wrong=True)
        # Only an address of a page of our own, never one that another site made up.
        path = scope["path"] if re.fullmatch(r"/[\w-]*", scope["path"], re.ASCII) else "/"
        query = scope.get("query_string", b"").decode("latin-1")
        secure = "; Secure" if scope.get("scheme") == "https" else ""
        cookie = f"{self._cookie}={token}; Path=/; HttpOnly; SameSite=Strict{secure}"
        return _answer(303, location=f"{path}?{query}".rstrip("?"), set_cookie=cookie)


def _fits_host(headers: Mapping[str, str], scope: Scope, here: bool) -> bool:
    """Whether the request names this machine: a page of another name that resolves to it is kept out."""
    try:
        name = urlsplit(f"//{headers.get('host', '')}").hostname or ""
    except ValueError:
        return False
    if scope.get("scheme") in ("https", "wss"):
        return True  # a browser has compared the name with the certificate
    if here:
        return name in ("127.0.0.1", "localhost", "::1")
    return name == (scope.get("server") or ("", 0))[0]


def _fits_origin(headers: Mapping[str, str], is_socket: bool) -> bool:
    """Whether the request comes from a page of the app itself, or from a person who followed a link to it."""
    origin = headers.get("origin")
    if origin is None:
        cross = headers.get("sec-fetch-site", "none") in ("cross-site", "same-site")
        return not is_socket and not (cross and headers.get("sec-fetch-mode") != "navigate")
    try:
        return "//" in origin and urlsplit(origin).netloc == headers.get("host")
    except ValueError:
        return False


def _read_cookie(headers: Mapping[str, str], name: str) -> str:
    return cookie_parser(headers.get("cookie", "")).get(name, "")


def _marked(scope: Scope, visitor: str, browser: str) -> Scope:
    """The request with our own word on where it comes from, whatever it said itself."""
    own = ((VISITOR_HEADER.encode(), visitor.encode()), (BROWSER_HEADER.encode(), browser.encode()))
    kept = [(name, value) for name, value in scope["headers"] if name.lower() not in dict(own)]
    return {**scope, "headers": [*kept, *own]}


def _firm(path: str, send: Send) -> Send:
    """Sends answers with headers that keep them from being framed, sniffed, or run as something else."""
    policy = _FILE_POLICY if path.startswith("/media/") else _APP_POLICY

    async def send_firm(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.update({**_FIRM, "content-security-policy": policy})
            if headers.get("content-type", "").startswith("text/html"):
                # A browser that keeps a page it has left keeps its connection too, and what was typed there stays
                # with that visit.
                headers["cache-control"] = "no-store"
        await send(message)

    return send_firm


def _ending_with(ended: asyncio.Event, receive: Receive, send: Send, touch: Callable[[], None]) -> tuple[Receive, Send]:
    """The two ends of a socket that closes when `ended` is set; `touch` is called for what comes in."""
    is_closed = False

    async def receive_or_end() -> Message:
        nonlocal is_closed
        coming, ending = asyncio.ensure_future(receive()), asyncio.ensure_future(ended.wait())
        try:
            await asyncio.wait((coming, ending), return_when=asyncio.FIRST_COMPLETED)
            if not ended.is_set():
                touch()
                return coming.result()
        finally:
            coming.cancel()
            ending.cancel()
        if not is_closed:
            is_closed = True
            await send({"type": "websocket.close", "code": 1008})
        return {"type": "websocket.disconnect", "code": 1008}

    async def send_until_end(message: Message) -> None:
        if not ended.is_set():
            await send(message)

    return receive_or_end, send_until_end


async def _read_small(receive: Receive) -> bytes:
    """The body of a small request; nothing of a large one."""
    body = b""
    while True:
        message = await receive()
        body += bytes(message.get("body", b""))
        if message["type"] != "http.request" or len(body) > _MOST_FORM_BYTES:
            return b""
        if not message.get("more_body"):
            return body


async def _read_code(receive: Receive) -> str:
    """The code of a small form; nothing of a large one."""
    body = (await _read_small(receive)).decode("utf-8", "replace")
    try:
        return str(parse_qs(body, max_num_fields=4).get("code", [""])[0])
    except ValueError:
        return ""


_PAGE = Path(__file__).with_name("entry_page.html").read_text("utf-8")


def _hash(tag: str) -> str:
    """What a policy calls the one style or script of the entry page."""
    text = _PAGE.partition(f"<{tag}>")[2].partition(f"</{tag}>")[0]
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


#: What the browser may do on the entry page: its own style, its own script, and sending the form back.
_ENTRY_POLICY = (
    f"default-src 'none'; style-src {_hash('style')}; script-src {_hash('script')}; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)


def _entry_page(scope: Scope, status: int, wait_s: float, wrong: bool = False) -> Response:
    """The page that asks for the access code, alone: nothing of the app is served before it.

    wait_s: seconds that must pass before the next code counts; wrong: after a wrong one.
    """
    wait, note, connection = math.ceil(wait_s), "", ""
    if scope.get("scheme") != "https":
        connection = " The connection is not encrypted:\nuse it in a network whose people you trust."
    if wrong or wait:
        first = "That is not the code. " if wrong else "A wrong code was entered. "
        again = f'Try again in <span id="left">{wait}</span> {"second" if wait == 1 else "seconds"}.'
        again = again if wait else "Try again."
        note = f'<p class="note" role="alert">{first}<span id="again">{again}</span></p>'
    page = Template(_PAGE).substitute(wait=wait, note=note, connection=connection).encode()
    retry = {"retry_after": str(int(wait_s) + 1)} if wait_s > 0 else {}
    kind = "text/html; charset=utf-8"
    return _answer(status, page, content_type=kind, content_security_policy=_ENTRY_POLICY, **retry)


def _refuse(status: int, text: str) -> ASGIApp:
    async def refuse(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        else:
            plain = "text/plain; charset=utf-8"
            await _answer(status, f"{text}\n".encode(), content_type=plain)(scope, receive, send)

    return refuse


def _answer(status: int, body: bytes = b"", **headers: str) -> Response:
    given = {name.replace("_", "-"): value for name, value in headers.items()}
    return Response(body, status, {**given, "cache-control": "no-store", **_FIRM})
