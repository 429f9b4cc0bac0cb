"""The lots: find one, and read its whole story."""

from __future__ import annotations

import io
from functools import partial

import streamlit as st

from colourmatch.book.entries import LotStory
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import pages, session
from colourmatch.screens.leading_on import lead_on, offer_own_lot, offer_papers
from colourmatch.screens.looking_back import show_log, show_recall
from colourmatch.screens.lot_list import tap_row
from colourmatch.screens.photo_view import show_flags, show_picture, show_swatches
from colourmatch.screens.references import tell_target
from colourmatch.words.figures import begin, tell_ml

PAGE_ROWS = 15


def show() -> None:
    """The page: one lot where the address names it, else the list."""
    book = session.current_book()
    lot_id = session.chosen_lot_id() if "lot" in st.query_params else None
    if lot_id is not None and "lot" in st.query_params:
        if st.button("All lots", key="all-lots", icon=":material/arrow_back:"):
            st.query_params.clear()
            st.rerun()
        session.choose_lot(lot_id)
        show_lot(book.lots.story(lot_id))
        return
    st.title("Lots")
    if not book.lots.search(limit=1):
        st.html(parts.empty("No lot yet. Each stands here with its recipe, photos and story."))
        offer_own_lot()
        return
    if (picked := pick_row()) is not None:
        pages.go_to_lot("lots", picked)
    st.page_link(pages.find_page("trend"), label="Trend")
    show_recall()
    show_log()
    show_tables()


def pick_row() -> int | None:
    """The list with search, filter and pages; the id of the lot tapped."""
    book = session.current_book()
    left, right = st.columns([3, 2], vertical_alignment="bottom")
    search = left.text_input("Name or number", type="search", key="lots-search")
    which = right.segmented_control("Show", ["all", "open"], default="all", required=True, key="lots-which")
    count = book.lots.count(search, open_only=which == "open")
    if not count:
        st.html(parts.empty("No lot fits. Search for a part of its name or number, or show all."))
        return None
    page, shown = pick_page(count)
    lots = book.lots.search(search, open_only=which == "open", limit=PAGE_ROWS, offset=(page - 1) * PAGE_ROWS)
    tapped = tap_row(lots, "lot")
    if shown:
        st.caption(shown)
    return tapped


def show_tables() -> None:
    """The whole book as tables for a spreadsheet."""
    with st.expander("For a spreadsheet"), st.container(horizontal=True):
        for rows, words in (("lots", "A row a lot (CSV)"), ("entries", "A row an entry (CSV)")):
            st.download_button(
                words, partial(make_table, rows), f"{rows}.csv", "text/csv",
                key=f"table-{rows}", on_click="ignore", icon=":material/download:",
            )  # fmt: skip


def make_table(rows: str) -> bytes:
    """The lots, or all their entries, as CSV; made when it is asked for."""
    out = io.StringIO(newline="")
    session.current_book().archive.export_csv(out, rows)
    return out.getvalue().encode("utf-8-sig")  # the mark tells a spreadsheet which letters these are


def pick_page(count: int) -> tuple[int, str]:
    """The page of the table to show, and what it says under it."""
    total = -(-count // PAGE_ROWS)
    page = st.number_input("Page", 1, total, 1, key=f"lots-page-{total}") if total > 1 else 1
    return int(page), f"{count} lots, page {page} of {total}, the newest first" if total > 1 else ""


def show_lot(story: LotStory) -> None:
    """One lot: its state, its head, its story, label and cautions."""
    lot = story.lot
    with st.spinner("Opening the lot …"):
        told = session.describe(story)
    st.title(parts.plain(f"{lot.name} ({lot.label})"))
    words = "Go on with this lot" if session.may_enter() else "Open it under Match"
    if not lot.closed:
        if st.button(words, type="primary", key="go-on"):
            pages.go_to_lot("match", lot.id)
        with st.container(key="cm-lead-on", gap="small"):
            offer_papers(story)
    else:
        lead_on(story, here=True)
    st.caption("The law asks for more than these labels carry.")
    show_state(story)
    if lot.closed:
        # with its charts, which the list does without
        from colourmatch.screens.afterwards import show_recheck

        show_recheck(story)
    left, right = st.columns(2, gap="large")
    with left:
        st.subheader("Recipe")
        st.html(parts.facts(telling.head_facts(lot, session.shows_us()) | {"Tinted to": tell_target(story)}))
    with right:
        st.subheader("Label")
        st.html(parts.line(told["label"]))
        with st.expander(f"{len(told['cautions'])} cautions and limits"):
            st.html("".join(parts.flag_line("Caution", caution["text"]) for caution in told["cautions"]))
    with st.expander(f"Story: {len(story.events)} entries"):
        st.html(telling.tell_story(story, session.shows_us()))
    show_photos(story)


def show_state(story: LotStory) -> None:
    """Volume, colour and ceiling now, and how near the batch came."""
    from colourmatch.workflow.ceilings import ceiling_left

    state, photos = story.state(), telling.compared_photos(story)
    cells = [parts.cell("Batch now", tell_ml(state.volume_ml, session.shows_us()))]
    if photos:
        seen = photos[-1].measurement.to_json()
        cells.append(
            parts.cell(
                "Last photo alone", parts.show_interval(seen["delta_e_2000"]), seen["difference"]["text"]
            )
        )
    ceiling, place = story.lot.ceiling_mg_per_l, story.lot.jurisdiction
    cells.append(parts.ceiling_cell(state.total_mg_per_l(), ceiling, ceiling_left(story), place))
    st.html(parts.glance(cells))
    if story.closing is not None:
        st.html(telling.closing_panel(story.closing))


def show_photos(story: LotStory) -> None:
    """The photos, the newest first, each folded."""
    if not story.photos:
        return
    st.subheader("Photos")
    names = telling.name_photos(story)
    for photo in reversed(story.photos):
        name = names[photo.id]
        with st.expander(parts.plain(begin(name)), on_change="rerun") as folded:
            if not folded.open:
                continue
            show_flags(photo.measurement)
            if photo.stored_name is not None:
                path = session.current_book().photo_store.path(photo.stored_name)
                show_picture(path, photo.measurement, photo.original_name or "photo")
            show_swatches(photo.measurement)


if __name__ == "__main__":
    show()
