"""The lots: find one, read its whole story, photograph it again once it is closed; what is called back, and who did what."""

from __future__ import annotations

import io
from datetime import datetime, time, timedelta
from functools import partial

import streamlit as st

from colourmatch.book.checks import utc_text
from colourmatch.book.entries import LotStory
from colourmatch.colour.spaces import lab_to_hex
from colourmatch.measurement import LIQUIDS
from colourmatch.screens import html, lot_words, pages, photo_view, session
from colourmatch.screens.amending import show_history, tell_newest
from colourmatch.screens.fields import choose_one
from colourmatch.screens.references import tell_target
from colourmatch.words.figures import PAGES, begin, tell_interval, tell_ml
from colourmatch.words.looks import tell_glass
from colourmatch.words.times import tell_minute
from colourmatch.workflow.label_lines import tell_care
from colourmatch.workflow.log import list_log
from colourmatch.workflow.lot import view_of_photos
from colourmatch.workflow.recheck import read_drift, record_recheck, tell_photos
from colourmatch.workflow.shelf_state import trace_batch

_SINCE = {"today": 0, "yesterday": 1, "a week": 7}
_MOST_LINES = 200
PAGE_ROWS = 15


def show() -> None:
    """The page: one lot where the address names it, else the list."""
    book = session.current_book()
    lot_id = session.chosen_lot_id() if "lot" in st.query_params else None
    if lot_id is not None:
        if st.button("All lots", key="all-lots", icon=":material/arrow_back:"):
            st.query_params.clear()
            st.rerun()
        session.choose_lot(lot_id)
        show_lot(book.lots.story(lot_id))
        return
    st.title("Lots")
    if not book.lots.search(limit=1):
        st.html(html.empty("No lot yet. Each stands here with its recipe, photos and story."))
        pages.offer_own_lot()
        return
    show_rows()
    st.page_link(pages.find_page("trend"), label="Trend")
    show_recall()
    show_log()
    with st.expander("Spreadsheet"), st.container(horizontal=True):
        for rows, words in (("lots", "A row a lot (CSV)"), ("entries", "A row an entry (CSV)")):
            pages.offer_file(words, partial(make_table, rows), f"{rows}.csv", "text/csv", f"table-{rows}")


def show_rows() -> None:
    """The list with search, filter and pages; a tap leads to its lot."""
    book = session.current_book()
    left, right = st.columns([3, 2], vertical_alignment="bottom")
    search = left.text_input("Name or number", type="search", key="lots-search")
    with right:
        which = choose_one("Show", ["all", "open"], "lots-which")
    count = book.lots.count(search, open_only=which == "open")
    if not count:
        st.html(html.empty("No lot fits. Search for a part of its name or number, or show all."))
        return
    total = -(-count // PAGE_ROWS)
    page = int(st.number_input("Page", 1, total, 1, key=f"lots-page-{total}")) if total > 1 else 1
    lots = book.lots.search(search, open_only=which == "open", limit=PAGE_ROWS, offset=(page - 1) * PAGE_ROWS)
    for lot, story in zip(lots, book.lots.stories([lot.id for lot in lots]), strict=True):
        with st.container(key=f"cm-row-lot-{lot.id}"):
            st.html(draw_row(story))
            if st.button(f"Open {html.plain(lot.name)} ({html.plain(lot.label)})", key=f"lot-{lot.id}"):
                pages.go_to_lot("lots", lot.id)
    if total > 1:
        st.caption(f"{count} lots, page {page} of {total}, the newest first")


def draw_row(story: LotStory) -> str:
    """One lot as HTML: reference and batch of its last photo edge to edge, and what is known of it."""
    lot, seen = story.lot, lot_words.last_compared(story)
    spots = [seen.spots.get(name) for name in LIQUIDS] if seen else [None, None]
    looks = (f' style="background:{lab_to_hex(one.lab)}"' if one else "" for one in spots)
    colours = "".join(f"<i{look}></i>" for look in looks)
    ended = story.closing and story.closing.final and story.closing.final.now
    apart, _, ends = tell_interval(ended or (seen and seen.delta_e_2000), signs=PAGES).partition(" (")
    basis = "all photos" if ended else "last photo" if seen else ""
    quiet = (
        lot.label,
        "closed" if lot.closed else "open",
        basis,
        f"trial of {lot.trial_of}" if lot.trial_of else "",
        tell_ml(story.state().volume_ml, session.shows_us()),
        html.show_date(lot.created_at),
    )
    told = ", ".join(f'<span class="cm-whole">{html.as_html(one)}</span>' for one in quiet if one)
    return (
        f'<div class="cm cm-row" aria-hidden="true"><div class="cm-two">{colours}</div><div><b>{html.as_html(lot.name)}</b>'
        f'<p class="cm-quiet">{told}</p></div>'
        f'<div class="cm-apart">{apart}<small>{ends.rstrip(")").replace(" to ", "–")}</small></div></div>'
    )


def make_table(rows: str) -> bytes:
    out = io.StringIO(newline="")
    session.current_book().archive.export_csv(out, rows)
    return out.getvalue().encode("utf-8-sig")  # the mark tells a spreadsheet which letters these are


def show_recall() -> None:
    """The lots that hold a supplier's batch, each a way to its lot."""
    with st.expander("Recall"), session.failures_shown():
        batch = st.text_input("Lots that hold the supplier's batch", key="recall-batch")
        if not batch.strip():
            return
        told = trace_batch(session.current_book(), batch.strip())
        st.html("".join(html.line(stock.text) for stock in told.stocks))
        for lot in told.lots:
            label, lead = html.plain(lot.tell(html.browser_zone())), {"lot": str(lot.lot)}
            st.page_link(pages.find_page("lots"), label=label, query_params=lead)
        st.html(html.line(told.held))


def show_log() -> None:
    with st.expander("Log", on_change="rerun", key="log") as folded:
        if not folded.open:
            return
        since, zone = choose_one("Since", _SINCE, "log-since", "yesterday"), html.browser_zone()
        day = datetime.now(zone).date() - timedelta(days=_SINCE[since])
        lines = list_log(session.current_book(), utc_text(datetime.combine(day, time(), zone)))
        newest = lines[: -_MOST_LINES - 1 : -1]
        told = [(tell_minute(one.at, zone), one.by, one.number, one.text) for one in newest]
        said = "".join(html.line(", ".join(filter(None, one))) for one in told)
        st.html(said or html.empty("Nothing was entered since."))


def show_lot(story: LotStory) -> None:
    """One lot: its state, its head, its story, label and cautions."""
    lot, care = story.lot, tell_care(story)
    st.title(html.plain(f"{lot.name} ({lot.label})"))
    words = "Go on with this lot" if session.may_enter() else "Open it under Match"
    if not lot.closed:
        if st.button(words, type="primary", key="go-on"):
            pages.go_to_lot("match", lot.id)
        with st.container(key="cm-lead-on", gap="small"):
            pages.offer_papers(story)
    else:
        show_recheck(story)
        pages.lead_on(story, here=True)
    st.caption("These labels name the colours. The law asks for more on a bottle: ask your food authority what.")
    seen = lot_words.last_compared(story)
    cells = [html.cell("Batch now", tell_ml(story.state().volume_ml, session.shows_us()))]
    if seen and seen.delta_e_2000 and seen.difference:
        far = html.show_interval(seen.delta_e_2000)
        cells.append(html.cell("Last photo alone", far, seen.difference.text))
    st.html(html.glance([*cells, lot_words.show_ceiling(story)]))
    if story.closing is not None:
        st.html(lot_words.closing_panel(story.closing))
    left, right = st.columns(2, gap="large")
    with left:
        st.subheader("Recipe")
        st.html(html.facts(lot_words.head_facts(lot) | {"Tinted to": tell_target(story)}))
    with right:
        st.subheader("Label")
        st.html(html.line(care.label))
        with st.expander(f"{len(care.cautions)} cautions and limits"):
            st.html("".join(html.flag_line("Caution", caution.text) for caution in care.cautions))
    with st.expander(f"Story: {len(story.events)} entries"):
        show_history(story)
    show_photos(story)


def show_photos(story: LotStory) -> None:
    if not story.photos:
        return
    st.subheader("Photos")
    names = lot_words.name_photos(story)
    for photo in reversed(story.photos):
        with st.expander(html.plain(begin(names[photo.id])), on_change="rerun") as folded:
            if folded.open:
                photo_view.show_flags(photo.measurement)
                if photo.stored_name is not None:
                    photo_view.show_photo(photo)
                photo_view.show_swatches(photo.measurement)


# ---- after the closing -------------------------------------------------------------------------------------------


def show_recheck(story: LotStory) -> None:
    """Whether the colour of a closed lot holds: in words, photo by photo, and a place for the next photo."""
    st.subheader("Does the colour hold?")
    photo_view.show_refused(f"recheck-{story.lot.id}")
    drift = session.compute(story, read_drift)
    first, rest = html.split_sentence(drift.text)
    st.html(html.panel("Since it was closed", first, [rest]))
    if change := drift.change_per_week:
        words = f"Change a week: {html.show_lab(change.lab, change.lab_sd, 2)}; ± is one standard deviation."
        st.html(html.line(f"{words} In brackets above: 95 % intervals."))
    left, right = st.columns(2, gap="large")
    with left:  # each photo with its drift; those that tell nothing with why
        names = lot_words.name_each_photo(story)
        st.html(html.facts(dict(tell_photos(drift, html.browser_zone(), PAGES))))
        if lines := [html.flag_line(begin(names[one.entry]), one.reason) for one in drift.left_out]:
            st.html("".join(lines))
    with right:
        if drift.photos:
            from colourmatch.screens import plots  # the list does without charts

            st.plotly_chart(
                plots.draw_drift(drift), config=plots.CONFIG, key=f"drift-{story.lot.id}",
                alt="drift from the first colour over weeks, with the tolerance",
            )  # fmt: skip
    if not session.may_enter():
        return
    tell_newest(story)
    with st.expander("Photograph again", expanded=not drift.photos):
        take_photos(story)


def take_photos(story: LotStory) -> None:
    """Measure and keep photos of the closed lot; what is of no use is named and not kept."""
    place, view = f"recheck-{story.lot.id}", view_of_photos(story)
    files = photo_view.upload_photos(place, f"Kept sample and reference, {tell_glass(view.depth_mm, view.dilution)}")
    if not files:
        return
    with session.failures_shown():
        sent, bar = [], st.progress(0.0)
        for number, file in enumerate(files):
            bar.progress(number / len(files), f"Measuring photo {number + 1} of {len(files)} …")
            book, by = session.current_book(), session.entered_by()
            sent += record_recheck(book, story.lot.id, [file], entered_by=by)
        bar.empty()
        photo_view.end_upload(place, files, sent)
