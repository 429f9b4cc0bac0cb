"""The page that asks for the access code; it stands alone, because nothing of the app is served before it."""

from __future__ import annotations

import base64
import hashlib
import math

_STYLE = """
:root { color-scheme: light dark; --line: #d5d8d9; --accent: #1f5f6b; --back: #fcfcfc; --text: #1c1f20; }
@media (prefers-color-scheme: dark) {
  :root { --line: #3c4141; --accent: #2f7f8d; --back: #161818; --text: #eceeee; } }
body { font: 1rem/1.5 system-ui, sans-serif; background: var(--back); color: var(--text); margin: 0;
  padding: 1.5rem 1rem; }
main { max-width: 28rem; margin: 0 auto; }
h1 { font-size: 1.5rem; line-height: 1.25; }
label { display: block; font-weight: 600; margin: 1.2rem 0 .4rem; }
input, button { font: inherit; box-sizing: border-box; width: 100%; min-height: 48px; border-radius: 10px; }
input { font-size: 1.5rem; letter-spacing: .12em; text-transform: uppercase; padding: .3rem .8rem;
  border: 2px solid var(--line); background: transparent; color: inherit; }
input:focus { outline: 3px solid var(--accent); outline-offset: 1px; }
button { margin-top: .8rem; border: 0; background: var(--accent); color: #fff; font-weight: 600; }
button:disabled { opacity: .55; }
.note { border: 2px dashed var(--line); border-radius: 10px; padding: .7rem 1rem; }
""".strip()

# The code after # of a scanned address goes into the field and out of the address and the history.
_SCRIPT = """
const form = document.forms[0], button = form.querySelector('button'), left = document.getElementById('left');
let wait = Number(form.dataset.wait);
const typed = decodeURIComponent(location.hash.slice(1));
if (typed) {
  history.replaceState(null, '', location.pathname + location.search);
  form.elements.code.value = typed;
  if (!wait) form.submit();
}
if (wait) {
  button.disabled = true;
  const timer = setInterval(() => {
    wait -= 1;
    left.textContent = wait;
    if (wait <= 0) {
      clearInterval(timer);
      button.disabled = false;
      document.getElementById('again').textContent = 'Try again now.';
    }
  }, 1000);
}
""".strip()


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


#: What the browser may do on this page: its own style, its own script, and sending the form back.
POLICY = (
    f"default-src 'none'; style-src {_hash(_STYLE)}; script-src {_hash(_SCRIPT)}; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)


def draw_entry_page(wait_s: float = 0.0, wrong: bool = False, encrypted: bool = False) -> bytes:
    """The page as HTML; `wait_s` seconds must pass before the next code counts, `wrong` after a wrong one."""
    wait, note = math.ceil(wait_s), ""
    connection = (
        "" if encrypted else " The connection is not encrypted:\nuse it in a network whose people you trust."
    )
    if wrong or wait:
        first = "That is not the code. " if wrong else "A wrong code was entered. "
        unit = "second" if wait == 1 else "seconds"
        note = f'<p class="note" role="alert">{first}<span id="again">' + (
            f'Try again in <span id="left">{wait}</span> {unit}.</span></p>'
            if wait
            else "Try again.</span></p>"
        )
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>colourmatch: access code</title><style>{_STYLE}</style></head>
<body><main><h1>Enter the access code</h1>
<p>It stands on the screen of the machine that runs colourmatch, under Share and where it was started.</p>
{note}<form method="post" data-wait="{wait}">
<label for="code">Access code</label>
<input id="code" name="code" maxlength="20" autocomplete="off" autocapitalize="characters" spellcheck="false"
 required autofocus placeholder="ABCD-2345">
<button>Enter</button></form>
<p>Everyone on this network who has the code can see and change the lot book.{connection}</p></main><script>{_SCRIPT}</script></body></html>
""".encode()
