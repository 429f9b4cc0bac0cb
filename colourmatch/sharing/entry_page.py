"""The page that asks for the access code; it stands alone, because nothing of the app is served before it."""

from __future__ import annotations

import base64
import hashlib
import math
from pathlib import Path
from string import Template

_PAGE = Path(__file__).with_suffix(".html").read_text("utf-8")


def _hash(tag: str) -> str:
    """What a policy calls the one style or script of the page."""
    text = _PAGE.partition(f"<{tag}>")[2].partition(f"</{tag}>")[0]
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


#: What the browser may do on this page: its own style, its own script, and sending the form back.
POLICY = (
    f"default-src 'none'; style-src {_hash('style')}; script-src {_hash('script')}; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)


def draw_entry_page(wait_s: float = 0.0, wrong: bool = False, encrypted: bool = False) -> bytes:
    """The page as HTML; `wait_s` seconds must pass before the next code counts, `wrong` after a wrong one."""
    wait, note, connection = math.ceil(wait_s), "", ""
    if not encrypted:
        connection = " The connection is not encrypted:\nuse it in a network whose people you trust."
    if wrong or wait:
        first = "That is not the code. " if wrong else "A wrong code was entered. "
        again = f'Try again in <span id="left">{wait}</span> {"second" if wait == 1 else "seconds"}.'
        again = again if wait else "Try again."
        note = f'<p class="note" role="alert">{first}<span id="again">{again}</span></p>'
    return Template(_PAGE).substitute(wait=wait, note=note, connection=connection).encode()
