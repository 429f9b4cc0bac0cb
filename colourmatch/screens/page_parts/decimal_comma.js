// A browser of a decimal-point language drops a typed comma: 12,5 would become 125. Where it was dropped (no input
// event follows) a point takes its place; a browser of a decimal-comma language is left alone. Three digits after a
// comma may have been meant as thousands: the field then says how it was read.
if (!document.cmComma) {
  document.cmComma = true;
  document.addEventListener('beforeinput', event => {
    const field = event.target;
    if (event.data !== ',' || field.type !== 'number') return;
    field.cmTyped = true;
    let open = true;
    const close = () => { open = false; };
    const mend = () => { if (open) { close(); document.execCommand('insertText', false, '.'); } };
    field.addEventListener('input', close, { once: true });
    document.addEventListener('keydown', mend, { once: true, capture: true });
    setTimeout(mend, 0);
  }, true);
  document.addEventListener('focusout', event => {
    const field = event.target;
    if (field.type !== 'number') return;
    const place = field.closest('[data-testid="stNumberInput"]');
    const old = place && place.querySelector('.cm-read-as');
    if (old) old.remove();
    const doubtful = field.cmTyped && /^[1-9]\d{0,2}\.\d{3}$/.test(field.value);
    field.cmTyped = false;
    if (!place || !doubtful) return;
    const note = document.createElement('div');
    note.className = 'cm-read-as';
    note.setAttribute('role', 'status');
    note.textContent = 'Read as ' + Number(field.value) + '. For thousands type ' +
      field.value.replace('.', '') + ', without a comma.';
    place.append(note);
  }, true);
}
