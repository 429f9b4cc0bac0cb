"""The look of the match page: picture, answer and scale, the bar at the bottom of a phone, two columns on a desk."""

from __future__ import annotations

MATCH_CSS = """
<style>
.stApp {
  --cm-ground: #fcfcfc; --cm-ground: light-dark(#fcfcfc, #161818);
  --cm-add: #1f5f6b; --cm-add: light-dark(#1f5f6b, #17505b);
  --cm-photo: #4b3f86; --cm-photo: light-dark(#4b3f86, #43397a);
  --cm-end: #8c2f14; --cm-end: light-dark(#8c2f14, #7c2a12);
}
.st-key-cm-match { gap: .8rem; }
.st-key-cm-details .cm-panel .cm-do { font-size: 1.1rem; }
.st-key-cm-left { gap: .6rem; }
.st-key-cm-lot [data-testid="stPopoverButton"] { border: 0; background: transparent; padding: 0; min-height: 44px;
  justify-content: flex-start; color: var(--cm-quiet); }
.st-key-cm-pair { position: relative; gap: 0; }
.st-key-cm-pair .stElementContainer:has(.stButton) { position: absolute; inset: 0; width: 100% !important; height: 100%; }
.st-key-cm-pair .stButton, .st-key-cm-pair .stButton > * { width: 100% !important; height: 100%; }
.st-key-cm-pair .stButton button { width: 100%; height: 100%; border: 0; background: transparent; padding: 6px;
  align-items: flex-end; justify-content: flex-end; }
.st-key-cm-pair .stButton button > * { margin: 0 0 0 auto; width: auto; flex: none; }
.st-key-cm-pair .stButton p { background: #1c1f20; color: #fff; border-radius: 6px; padding: 2px 8px; font-size: .85rem; }
.cm-pair { display: grid; grid-template-columns: 1fr 1fr; aspect-ratio: 2 / 1; border-radius: 10px; overflow: hidden;
  position: relative; background: var(--cm-fill); max-height: 40vh; width: 100%; }
.cm-pair > div { position: relative; overflow: hidden; min-width: 0; min-height: 0; }
.cm-pair > div > img { display: block; width: 100%; height: 100%; object-fit: cover; }
.cm-pair span { position: absolute; left: 6px; top: 6px; background: #1c1f20; color: #fff; border-radius: 6px;
  padding: 2px 8px; font-size: .85rem; line-height: 1.4; }
.cm-pair.card { display: flex; justify-content: center; background: none; }
.cm-pair.card img { width: auto; max-width: 100%; height: 100%; margin: 0; object-fit: contain; }
.cm-pair.reading, .cm-pair.reading + .cm-place { max-width: 26rem; }
.st-key-cm-first { max-width: 26rem; gap: .6rem; }
.cm-pair.measuring { grid-template-columns: 1fr; }
.cm-pair.measuring i { position: absolute; left: 0; bottom: 0; height: 8px; width: 30%; background: #86cbd6;
  animation: cm-moving 1.2s ease-in-out infinite alternate; }
@keyframes cm-moving { to { transform: translateX(233%); } }
.cm-answer { display: flex; flex-direction: column; justify-content: center; color: #fff; padding: 14px 20px;
  min-height: 168px; box-sizing: border-box; }
.cm-answer img { display: inline-block; width: 1.6em; height: 1.6em; vertical-align: -.45em; margin-right: .5em; }
.cm-answer .cm-large img { width: .9em; height: .9em; vertical-align: -.1em; margin-right: .3em; }
.cm-answer.old { opacity: .45; filter: grayscale(1); }
.cm-answer.add { background: var(--cm-add); border-radius: 22px; }
.cm-answer.photo { background: var(--cm-photo); border-radius: 4px; outline: 3px dashed #fff; outline-offset: -8px;
  padding: 16px 18px; }
.cm-answer.stop { background: var(--cm-end);
  clip-path: polygon(22px 0, calc(100% - 22px) 0, 100% 22px, 100% calc(100% - 22px), calc(100% - 22px) 100%, 22px 100%,
    0 calc(100% - 22px), 0 22px); }
.cm-answer.question, .cm-answer.closed { background: #3c4346; border-radius: 10px; }
.cm-answer .cm-state { font-size: 1.05rem; font-weight: 650; line-height: 1.3; }
.cm-answer .cm-large { font-size: 48px; line-height: 1.05; font-weight: 700; font-variant-numeric: tabular-nums; }
.cm-answer .cm-of { font-size: 1.15rem; font-weight: 600; margin-left: .4em; overflow-wrap: anywhere; }
.cm-answer .cm-under { font-size: 1.15rem; line-height: 1.35; font-weight: 600; margin-top: .3rem;
  overflow-wrap: anywhere; }
.cm-answer.question .cm-under { font-size: 1.45rem; line-height: 1.25; }
.cm-place p { font-size: 1.05rem; line-height: 1.4; }
.cm-scale { position: relative; height: 26px; margin: .35rem 8px 0; border-bottom: 2px solid currentColor; }
.cm-scale i { position: absolute; bottom: 0; height: 12px; left: 0; }
.cm-scale .cm-good { background: color-mix(in srgb, var(--cm-accent) 40%, transparent);
  border-right: 2px solid currentColor; }
.cm-scale .cm-band { background: color-mix(in srgb, currentColor 40%, transparent); }
.cm-scale .cm-mark { width: 14px; height: 12px; margin-left: -7px; bottom: 13px; background: currentColor;
  clip-path: polygon(0 0, 100% 0, 50% 100%); }
.cm-scale .cm-mark.hollow { opacity: .55; }
.st-key-cm-bar { gap: .4rem; background: var(--cm-ground); }
.cm-said { line-height: 1.4; }
.st-key-cm-bar:not(:has(button, input, .cm-said)) { display: none; }
.st-key-cm-bar [data-testid="stHorizontalBlock"], .st-key-cm-bar [class*="st-key-cm-dose"] { flex-wrap: nowrap; gap: .6rem; }
.st-key-cm-bar button[data-testid="stBaseButton-primary"] { min-height: 56px; }
.st-key-cm-bar button[data-testid="stBaseButton-primary"] p { font-size: 1.15rem; font-weight: 650; }
.st-key-cm-bar button p { white-space: normal; overflow-wrap: anywhere; line-height: 1.15; }
.st-key-cm-bar .stNumberInput input { font-size: 1.4rem; font-weight: 650; text-align: center; min-height: 56px; }
.st-key-cm-bar .stNumberInput button { min-width: 52px; min-height: 56px; }
.st-key-cm-bar .stNumberInput [data-testid="stNumberInputContainer"], .st-key-cm-bar .stNumberInput [data-testid="stNumberInputContainer"] > div
  { height: 56px; min-height: 56px; align-items: stretch; }
.st-key-cm-bar button[data-testid="stBaseButton-secondary"] { min-height: 44px; }
:is(.st-key-cm-shoot, .st-key-cm-first) [data-testid="stFileUploaderDropzone"] { padding: 0; border: 0; background: transparent; min-height: 56px; }
:is(.st-key-cm-shoot, .st-key-cm-first) [data-testid="stFileUploaderDropzoneInstructions"] { display: none; }
:is(.st-key-cm-shoot, .st-key-cm-first) [data-testid="stFileUploaderDropzone"] > span, :is(.st-key-cm-shoot [data-testid="stFileUploaderDropzone"], .st-key-cm-first [data-testid="stFileUploaderDropzone"] > span) button
  { width: 100%; min-height: 56px; }
:is(.st-key-cm-shoot [data-testid="stFileUploaderDropzone"], .st-key-cm-first [data-testid="stFileUploaderDropzone"] > span) button { background: var(--cm-photo); color: #fff; border: 0;
  justify-content: center; }
:is(.st-key-cm-shoot [data-testid="stFileUploaderDropzone"], .st-key-cm-first [data-testid="stFileUploaderDropzone"] > span) button > *
  { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
:is(.st-key-cm-shoot [data-testid="stFileUploaderDropzone"], .st-key-cm-first [data-testid="stFileUploaderDropzone"] > span) button::after { content: "Photograph"; font-size: 1.15rem;
  font-weight: 650; }
.st-key-cm-shoot :is([data-testid="stFileUploaderFile"], [data-testid="stFileChips"]) { display: none; }
@media (max-width: 899px) {
  .st-key-cm-bar { position: fixed; left: 0; right: 0; bottom: 0; width: 100% !important; z-index: 50;
    padding: .6rem 1rem calc(.7rem + env(safe-area-inset-bottom)); border-top: 1px solid var(--cm-line);
    box-sizing: border-box; }
  [data-testid="stMainBlockContainer"]:has(.st-key-cm-bar) { padding-bottom: 12rem; }
}
@media (min-width: 641px) and (max-width: 899px) {
  .st-key-cm-bar { padding-left: 2rem; padding-right: 2rem; }
}
@media (min-width: 900px) {
  .st-key-cm-match { display: grid; grid-template-columns: minmax(22rem, 26rem) minmax(0, 1fr); gap: 2.5rem;
    align-items: start; }
  .st-key-cm-left { position: sticky; top: 1rem; }
}
</style>
"""

# Streamlit knows no width: on a desk the fold is opened once where it first appears, as a click does.
OPEN_ON_A_DESK = """
<script>
if (!document.cmDesk) {
  document.cmDesk = true;
  setInterval(() => {
    const fold = document.querySelector('.st-key-cm-details details');
    if (!fold || fold.cmSeen) return;
    fold.cmSeen = true;
    if (!fold.open && innerWidth >= 900) fold.querySelector('summary')?.click();
  }, 200);
}
</script>
"""
