// The frontend marks its connection on .stApp, and would itself say something about the internet.
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
    if (now - since < 2000 || now - asked < 2500 || last === 'out') return;
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
