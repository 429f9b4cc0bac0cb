"""The look of the app beyond its theme: spacing, tap targets, and the classes that parts.py writes."""

from __future__ import annotations

import streamlit as st

from colourmatch.screens.match_style import MATCH_CSS, OPEN_ON_A_DESK

# `light-dark` follows the colour scheme that the theme sets; the line before it is for older browsers.
_CSS = """
<style>
:root { --cm-line: color-mix(in srgb, currentColor 18%, transparent); }
.stApp {
  --cm-accent: #2f7f8d; --cm-accent: light-dark(#1f5f6b, #86cbd6);
  --cm-stop: #a0522d; --cm-stop: light-dark(#8c2f14, #ffb59c);
  --cm-warn: #8a6d00; --cm-warn: light-dark(#6b5200, #f0cf6a);
  --cm-quiet: #777; --cm-quiet: light-dark(#55595b, #b3b8ba);
  --cm-fill: rgba(128,128,128,.09);
}
[data-testid="stMainBlockContainer"] { max-width: 1160px; padding: 1.8rem 2rem 5rem; }
[data-testid="stHeader"] { background: transparent; pointer-events: none; height: 1.5rem; min-height: 0; }
/* Style sheet and scripts take no room at the top of the page. */
[data-testid="stMainBlockContainer"] > [data-testid="stVerticalBlock"] > .stElementContainer:has(style, script)
  { position: absolute; }
.st-key-cm-menu { border-bottom: 1px solid var(--cm-line); padding-bottom: .4rem; margin-bottom: .6rem; }
.st-key-cm-menu [data-testid="stPageLink"] a { padding: .4rem .95rem; display: flex; align-items: center;
  justify-content: center; }
[data-testid="stHtml"] { overflow-wrap: anywhere; }
.stButton button, .stDownloadButton button, .stFormSubmitButton button, [data-testid="stPopoverButton"],
[data-testid="stPageLink"] a, [data-testid="stTab"], [data-testid="stButtonGroup"] button,
[data-testid="stExpander"] summary, [data-testid="stFileUploaderDropzone"] button, .stSelectbox input,
.stSelectbox button, .stMultiSelect input, .stNumberInput input, .stTextInput input,
[data-testid="stCameraInputButton"] { min-height: 44px; }
.stButton button p, .stDownloadButton button p, [data-testid="stExpander"] summary p,
[data-testid="stFileUploaderDropzone"] button, [data-testid="stPageLink"] a p, [data-testid="stButtonGroup"] button p,
[data-testid="stWidgetLabel"] p, .stCheckbox label p { font-size: 1rem; }
/* A phone enlarges the whole page when a field with smaller letters is tapped. */
.stApp :is(input, textarea), .stSelectbox [data-baseweb="select"], .stMultiSelect [data-baseweb="select"]
  { font-size: 1rem; }
.stNumberInput button, [data-testid="stElementToolbar"] button, .stMultiSelect button
  { min-width: 44px; min-height: 44px; }
[data-testid="stTooltipHoverTarget"] button { padding: 14px; margin: -14px; }
[data-testid="stHeaderActionElements"] { display: none; }
[data-testid="stTab"] { padding: 0 .3rem; }
[data-testid="stTab"][aria-selected="true"] p, [data-testid="stButtonGroup"] button[aria-checked="true"] p,
[data-testid="stButtonGroup"] button[aria-pressed="true"] p { color: var(--cm-accent); font-weight: 650; }
.stCheckbox label { min-height: 44px; align-items: center; }
[data-testid="stMarkdownContainer"] > p, [data-testid="stMarkdownContainer"] > ol { max-width: 46rem; }
[data-testid="InputInstructions"], [data-testid="stFileUploaderDropzoneInstructions"] { display: none; }
.js-plotly-plot .main-svg text { fill: var(--cm-quiet) !important; }
.cm p { margin: 0; }
.cm-unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
[data-testid="stCaptionContainer"], [data-testid="stFileUploaderDropzoneInstructions"] span
  { color: var(--cm-quiet) !important; opacity: 1 !important; }
[data-testid="stVerticalBlock"] > div > [data-testid="stPageLink"] a { padding-left: 0; background: none; }
[data-testid="stVerticalBlock"] > div > [data-testid="stPageLink"] a p { color: var(--cm-accent);
  text-decoration: underline; text-underline-offset: .2em; white-space: normal; }
.stApp :is(a, button, summary, [role="tab"], [role="radio"], [role="checkbox"]):focus-visible
  { outline: 3px solid var(--cm-accent); outline-offset: 2px; }
.st-key-cm-notices { position: sticky; top: .5rem; z-index: 40; background: var(--cm-ground); border-radius: 10px; }
.st-key-cm-new-lot > div { min-width: 0; }
.st-key-cm-volume { flex-wrap: nowrap; }
@media (min-width: 641px) {
  .st-key-cm-new-lot { display: grid; grid-template-columns: 3fr 2fr; gap: 1rem 3rem; }
}
.cm-part { display: inline-block; white-space: nowrap; margin-right: .4em; }
.cm-kicker { font-size: .85rem; font-weight: 600; color: var(--cm-quiet); }
.cm-quiet { color: var(--cm-quiet); font-size: .95rem; }
.cm-panel { border: 1px solid var(--cm-line); border-left: 6px solid var(--cm-accent); border-radius: 10px;
  padding: 1.1rem 1.3rem 1.2rem; background: var(--cm-fill); }
.cm-panel.stop { border-left-color: var(--cm-stop); }
.cm-panel.photo { border-left-style: double; border-left-width: 8px; }
.cm-panel .cm-do { font-size: 1.55rem; line-height: 1.3; font-weight: 650; margin: .15rem 0 .5rem; }
.cm-panel .cm-after { line-height: 1.5; }
.cm-panel .cm-after + .cm-after { margin-top: .35rem; }
.cm-glance { display: grid; grid-template-columns: repeat(auto-fit, minmax(15rem, 1fr));
  margin-top: .2rem;
  border: 1px solid var(--cm-line); border-radius: 10px; }
.cm-glance > div { padding: .9rem 1.3rem; }
.cm-glance > div + div { border-left: 1px solid var(--cm-line); }
.cm-big { font-size: 1.5rem; font-weight: 650; line-height: 1.25; font-variant-numeric: tabular-nums; }
.cm-bar { height: 12px; border-radius: 6px; background: color-mix(in srgb, currentColor 14%, transparent);
  overflow: hidden; margin: .55rem 0 .35rem; }
.cm-bar > i { display: block; height: 100%; background: var(--cm-accent); }
.cm-bar.over > i { background: repeating-linear-gradient(45deg, var(--cm-stop) 0 6px, transparent 6px 9px); }
.cm-flag { border: 1px solid var(--cm-line); border-radius: 10px; padding: .75rem 1rem; margin-bottom: .5rem;
  line-height: 1.5; }
.cm-panel + .cm-flag { margin-top: .5rem; }
.cm-tag { display: inline-block; font-weight: 650; margin-right: .4rem; }
.cm-flag.warn { border-style: dashed; } .cm-flag.warn .cm-tag { color: var(--cm-warn); }
.cm-flag.refuse { border-width: 2px; border-color: var(--cm-stop); }
.cm-flag.refuse .cm-tag { color: var(--cm-stop); }
.cm-row { display: grid; grid-template-columns: 64px minmax(0, 1fr) auto; gap: .9rem; align-items: center; padding: .6rem;
  border: 1px solid var(--cm-line); border-radius: 10px; min-height: 64px; box-sizing: border-box; line-height: 1.35; }
.cm-row b { overflow-wrap: anywhere; }
.cm-whole { display: inline-block; }
.cm-stock { display: grid; grid-template-columns: 48px minmax(0, 1fr); gap: .9rem; align-items: center; padding: .4rem 0; }
.cm-stock i { height: 48px; border-radius: 8px; border: 1px solid var(--cm-line); box-sizing: border-box; }
.cm-stock i.none { border-style: dashed; text-align: center; line-height: 46px; font-style: normal; color: var(--cm-quiet); }
.cm-two { display: grid; grid-template-columns: 1fr 1fr; height: 48px; border-radius: 8px; overflow: hidden;
  background: var(--cm-fill); }
.cm-apart { font-size: 1.2rem; font-weight: 650; font-variant-numeric: tabular-nums; }
[class*="st-key-cm-row-"] { position: relative; gap: 0; }
[class*="st-key-cm-row-"] .stElementContainer:has(.stButton) { position: absolute; inset: 0; width: 100% !important; height: 100%; }
[class*="st-key-cm-row-"] .stButton, [class*="st-key-cm-row-"] .stButton > * { width: 100% !important; height: 100%; }
[class*="st-key-cm-row-"] button { width: 100%; height: 100%; border: 0; background: transparent; border-radius: 10px; }
[class*="st-key-cm-row-"] button:hover { background: var(--cm-fill); }
[class*="st-key-cm-row-"] button > * { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
.st-key-cm-lead-on { display: grid; grid-template-columns: 1fr 1fr; }
.cm-swatches { display: grid; grid-auto-flow: column; grid-auto-columns: minmax(0, 1fr); }
.cm-swatches .cm-colour { height: 132px; }
.cm-swatches > div:first-child .cm-colour { border-radius: 8px 0 0 8px; }
.cm-swatches > div:last-child .cm-colour { border-radius: 0 8px 8px 0; }
.cm-swatches > div:only-child .cm-colour { border-radius: 8px; }
.cm-swatches .cm-words { padding: .5rem .6rem 0 0; line-height: 1.4; font-size: .9rem; }
.cm-qr { display: block; width: 100%; max-width: 17rem; border-radius: 10px; }
.cm-card { display: block; width: 100%; max-width: 340px; margin-top: .8rem; font-family: inherit; }
[class*="st-key-cm-presets-"] { flex-wrap: nowrap; gap: .6rem; }
[class*="st-key-cm-presets-"] > div { min-width: 0; flex: 1 1 0; max-width: 130px; }
.cm-glass { display: block; height: 96px; margin: 0 auto; }
.cm-step { line-height: 1.5; }
.cm-step b { display: block; font-size: 1.1rem; margin-bottom: .3rem; }
.cm-facts { width: 100%; border-collapse: collapse; line-height: 1.5; }
.cm-facts th, .cm-facts td { text-align: left; vertical-align: top; padding: .45rem .9rem .45rem 0;
  border-bottom: 1px solid var(--cm-line); font-weight: 400; }
.cm-facts th { color: var(--cm-quiet); width: 34%; }
.cm-story { list-style: none; margin: 0 !important; padding: 0 !important; }
.cm-story li { margin: 0 !important; padding: .6rem 0 !important; line-height: 1.45;
  border-bottom: 1px solid var(--cm-line); }
[class*="st-key-cm-entry-"] { flex-wrap: nowrap; gap: .6rem; line-height: 1.45; padding: .3rem 0;
  border-bottom: 1px solid var(--cm-line); }
[class*="st-key-cm-entry-"] > :first-child { flex: 1; min-width: 0; }
.gone { text-decoration: line-through; color: var(--cm-quiet); }
.cm-read-as { margin-top: .3rem; line-height: 1.4; color: var(--cm-warn); font-weight: 600; }
.cm-empty { border: 1px dashed var(--cm-line); border-radius: 10px; padding: 1.3rem; line-height: 1.55; }
@media (max-width: 640px) {
  [data-testid="stMainBlockContainer"] { padding: 1.5rem 1rem 4rem; }
  .st-key-cm-menu > div { flex: 1 1 auto; }
  .stElementContainer:has(> .stButton > button[data-testid="stBaseButton-primary"]),
  .stButton:has(> button[data-testid="stBaseButton-primary"]),
  .stButton > button[data-testid="stBaseButton-primary"] { width: 100% !important; }
  .st-key-cm-menu [data-testid="stPageLink"] a { padding: .4rem .3rem; }
  [data-testid="stHorizontalBlock"] { row-gap: 1.2rem; }
  .cm-panel { padding: .9rem 1rem 1rem; }
  .cm-panel .cm-do { font-size: 1.35rem; }
  .cm-glance { grid-template-columns: 1fr; }
  .cm-glance > div { padding: .75rem 1rem; }
  .cm-glance > div + div { border-left: 0; border-top: 1px solid var(--cm-line); }
  .cm-swatches .cm-colour { height: 104px; }
  .cm-facts th { width: 42%; }
}
</style>
"""


# A browser of a decimal-point language drops a typed comma: 12,5 would become 125. Where it was dropped (no input
# event follows) a point takes its place; a browser of a decimal-comma language is left alone. Three digits after a
# comma may have been meant as thousands: the field then says how it was read.
_DECIMAL_COMMA = """
<script>
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
    const doubtful = field.cmTyped && /^[1-9]\\d{0,2}\\.\\d{3}$/.test(field.value);
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
</script>
"""


def dress_page() -> None:
    """Put the style sheet and the care for decimal commas on the page; called once in every run."""
    st.html(_CSS)
    st.html(MATCH_CSS)
    st.html(_DECIMAL_COMMA, unsafe_allow_javascript=True)
    st.html(OPEN_ON_A_DESK, unsafe_allow_javascript=True)
