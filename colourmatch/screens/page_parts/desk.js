// Streamlit knows no width: on a desk the fold is opened once where it first appears, as a click does.
if (!document.cmDesk) {
  document.cmDesk = true;
  setInterval(() => {
    const fold = document.querySelector('.st-key-cm-details details');
    if (!fold || fold.cmSeen) return;
    fold.cmSeen = true;
    if (!fold.open && innerWidth >= 900) fold.querySelector('summary')?.click();
  }, 200);
}
