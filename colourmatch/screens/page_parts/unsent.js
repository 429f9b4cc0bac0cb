// Keeps what is being typed in the browser itself until the app has it: a reload in the middle of a word loses nothing.
// A field is sent when it is left; from then on drafts.py keeps it. Before that only the browser knows of it: each letter
// is noted under the field's key, which holds the token of an act that is not done yet, and put back when that field
// appears again. A restored field is told to the app as typing does: the frame listens to `input`, and sends at `focusout`.
if (!document.cmUnsent) {
  document.cmUnsent = true;
  const NAME = 'cm-unsent', WEEK = 7 * 86400e3, MOST = 60, SIGNS = 5000;
  const here = new Map();  // key -> when the field was last typed in or left on this page
  let calm = 0;
  const read = () => { try { return JSON.parse(localStorage.getItem(NAME)) || {}; } catch { return {}; } };
  const write = kept => {
    const newest = Object.entries(kept).sort((a, b) => b[1][1] - a[1][1]).slice(0, MOST);
    try { localStorage.setItem(NAME, JSON.stringify(Object.fromEntries(newest))); } catch { }
  };
  const keyOf = field => {
    if (!field?.matches?.('textarea, input[type=text], input[type=number]') || field.role === 'combobox') return '';
    const own = [...(field.closest('[class*="st-key-"]')?.classList || [])].find(one => one.startsWith('st-key-'));
    return own && /[0-9a-f]{32}/.test(own) ? own : '';
  };
  const note = field => {
    const key = keyOf(field);
    if (!key || field.validity.badInput || field.value.length > SIGNS) return;
    here.set(key, Date.now());
    write({ ...read(), [key]: [field.value, Date.now()] });
  };
  document.addEventListener('input', event => note(event.target), true);
  document.addEventListener('focusout', event => {
    const key = keyOf(event.target);
    if (here.has(key)) here.set(key, Date.now());
  }, true);
  document.addEventListener('click', event => {  // the steps of a number change it without typing
    const field = event.target.closest?.('.stNumberInput')?.querySelector('input');
    if (field && here.has(keyOf(field))) setTimeout(() => note(field), 0);
  }, true);
  const putBack = (field, value) => {
    const kind = field.tagName === 'TEXTAREA' ? HTMLTextAreaElement : HTMLInputElement;
    Object.getOwnPropertyDescriptor(kind.prototype, 'value').set.call(field, value);
    field.dispatchEvent(new Event('input', { bubbles: true }));
    setTimeout(() => field.dispatchEvent(new FocusEvent('focusout', { bubbles: true })), 50);
  };
  setInterval(() => {
    const app = document.querySelector('.stApp'), now = Date.now();
    const rests = app?.getAttribute('data-test-connection-state') === 'CONNECTED'
      && app.getAttribute('data-test-script-state') === 'notRunning';
    if (!rests) { calm = 0; return; }
    calm = calm || now;
    const kept = read(), gone = [];
    for (const [key, [value, at]] of Object.entries(kept)) {
      const field = document.querySelector(`.${CSS.escape(key)} :is(textarea, input)`);
      if (!field) { if (now - at > WEEK) gone.push(key); continue; }
      if (!here.has(key)) {
        here.set(key, now);
        if (field.value !== value) putBack(field, value);
      } else if (field !== document.activeElement && now - here.get(key) > 1500 && now - calm > 1000) {
        gone.push(key);  // it was left, and the app has answered since
      }
    }
    if (gone.length) write(Object.fromEntries(Object.entries(read()).filter(([key]) => !gone.includes(key))));
  }, 400);
}
