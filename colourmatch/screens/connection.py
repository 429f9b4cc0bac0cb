"""What the page says while the app does not answer, and what to do; the browser alone can say it then.

It also says to the app that it is left for good: a browser that is only locked says nothing.
"""

from __future__ import annotations

import json

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from colourmatch.sharing.gate import LEFT_PATH

_GONE = (
    "The app does not answer. What was confirmed is in the lot book. Leave this page open: what you typed stays, and "
    "it goes on by itself once the app runs again. On the phone: is it still in the same network? At the machine: was "
    "the app stopped? Then start it again: colourmatch app."
)
_OUT = (
    "This browser is no longer let in: sharing was stopped, or the app was started again. What was confirmed is in "
    "the lot book. Reload the page, and enter the code that is on the machine's screen now."
)
_BACK = "The app answers again, but this page does not go on by itself. What was confirmed is in the lot book. Reload it."

_CSS = """
<style>
.cm-lost { position: fixed; z-index: 1000000; left: 0; right: 0; bottom: 0; padding: .9rem 1.1rem 1.1rem;
  background: #1c1f20; color: #fff; border-top: 4px double #ffb59c; font: 1rem/1.5 system-ui, sans-serif; }
.cm-lost p { margin: 0 auto; max-width: 46rem; }
.cm-lost b { display: block; }
.cm-lost button { display: block; margin: .6rem auto 0; min-height: 44px; min-width: 11rem; padding: 0 1rem;
  font: inherit; font-weight: 600; border: 1px solid #fff; border-radius: 10px; background: #fff; color: #1c1f20; }
body.cm-is-lost [data-testid="stDialog"] { display: none; }
</style>
"""

# The frontend marks its connection on .stApp, and would itself say something about the internet.
_WATCH = """
<script>
if (!document.cmWatch) {
  document.cmWatch = true;
  const says = SAYS, visit = VISIT;
  const tell = one => navigator.sendBeacon('LEFT', one);
  try {  // a page that the browser threw away is told of by the one that comes in its place
    const before = sessionStorage.getItem('cm-visit');
    if (before && before !== visit) tell(before);
    sessionStorage.setItem('cm-visit', visit);
  } catch { }
  addEventListener('pagehide', event => { if (!event.persisted) tell(visit); });
  let since = 0, asked = 0, last = '';
  const show = what => {
    if (what === last) return;
    last = what;
    document.body.classList.toggle('cm-is-lost', !!what);
    document.querySelector('.cm-lost')?.remove();
    if (!what) return;
    const box = document.createElement('div'), text = document.createElement('p'), head = document.createElement('b');
    box.className = 'cm-lost';
    box.setAttribute('role', 'alert');
    head.textContent = 'No connection';
    text.append(head, says[what]);
    box.append(text);
    if (what !== 'gone') {
      const button = document.createElement('button');
      button.textContent = 'Reload the page';
      button.onclick = () => location.reload();
      box.append(button);
    }
    document.body.append(box);
  };
  setInterval(async () => {
    const state = document.querySelector('.stApp')?.getAttribute('data-test-connection-state');
    if (!state || state === 'CONNECTED') { since = 0; show(''); return; }
    const now = Date.now();
    since = since || now;
    if (now - since < 2000 || now - asked < 2500) return;
    asked = now;
    let what = 'gone';
    try {
      const reply = await fetch('/_stcore/health', { cache: 'no-store', signal: AbortSignal.timeout(4000) });
      if (reply.status === 401 || reply.status === 403) what = 'out';
      else if (reply.ok && now - since > 20000) what = 'back';
    } catch { }
    if (since) show(what);
  }, 500);
}
</script>
"""


@st.fragment(run_every=3600)
def _be_run_again() -> None:
    """Draws nothing: a page with a part that runs by the clock is run again when its connection comes back."""


def watch_connection() -> None:
    """Put the watch on the page; called once in every run."""
    says = json.dumps({"gone": _GONE, "out": _OUT, "back": _BACK})
    visit = get_script_run_ctx()
    watch = _WATCH.replace("SAYS", says).replace("VISIT", json.dumps(visit.session_id if visit else ""))
    st.html(_CSS)
    st.html(watch.replace("LEFT", LEFT_PATH), unsafe_allow_javascript=True)
    _be_run_again()
