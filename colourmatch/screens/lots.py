"""The lots: find one, and read its whole story."""

from __future__ import annotations

import io
from functools import partial
from typing import Any

import streamlit as st

from colourmatch.book.entries import Lot, LotStory
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import pages, session
from colourmatch.screens.afterwards import show_recheck
from colourmatch.screens.photo_view import show_flags, show_picture, show_swatches
from colourmatch.screens.references import tell_target
from colourmatch.words.figures import tell_ml
from colourmatch.words.times import tell_date

PAGE_ROWS = 25


def show() -> None:
    """The page."""
    st.title("Lots")
    book = session.current_book()
    if not book.lots.search(limit=1):
        st.html(parts.empty("No lot yet. Every lot stands here with its recipe, its photos and its story. "
                            "Begin one under Set up."))  # fmt: skip
        if session.may_enter() and st.button("Set up a stock and a lot", type="primary", key="to-set-up"):
            st.switch_page(pages.find_page("set_up"))
        return
    picked = pick_from_table()
    lot_id = picked or (session.chosen_lot_id() if "lot" in st.query_params else None)
    if lot_id is None:
        st.caption("Tap the box at the left of a lot to read its story.")
        return
    session.choose_lot(lot_id)
    show_lot(book.lots.story(lot_id))


def pick_from_table() -> int | None:
    """The table of lots with search, filter and pages; the id of the lot tapped."""
    book = session.current_book()
    left, right = st.columns([3, 2], vertical_alignment="bottom")
    search = left.text_input("Search by name or number", type="search", key="lots-search")
    which = right.segmented_control(
        "Show", ["all", "open only"], default="all", required=True, key="lots-which"
    )
    count = book.lots.count(search, open_only=which == "open only")
    if not count:
        st.html(parts.empty("No lot fits. Search for a part of its name or number, or show all."))
        return None
    page, shown = pick_page(count)
    lots = book.lots.search(
        search, open_only=which == "open only", limit=PAGE_ROWS, offset=(page - 1) * PAGE_ROWS
    )
    event = st.dataframe(
        [row_of(lot) for lot in lots], hide_index=True, row_height=44, on_select="rerun",
        selection_mode="single-row", height="content",
        key=f"lots-table-{search}-{which}-{page}-{hash(tuple(lot.id for lot in lots))}",  # a row is one of these
    )  # fmt: skip
    st.caption(shown)
    show_tables()
    chosen = event.selection.rows
    return lots[chosen[0]].id if chosen else None


def show_tables() -> None:
    """The whole book as tables for a spreadsheet."""
    with st.expander("All lots as a table for a spreadsheet"), st.container(horizontal=True):
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
    return int(page), f"{count} {'lot' if count == 1 else 'lots'}, page {page} of {total}, the newest first"


def row_of(lot: Lot) -> dict[str, Any]:
    """A row of the table."""
    return {
        "Name": lot.name,
        "Number": lot.label,
        "State": ("closed" if lot.closed else "open")
        + (f", trial of {lot.trial_of}" if lot.trial_of else ""),
        "Batch, ml": round(lot.volume_ml, 1),
        "Begun": tell_date(lot.created_at, parts.browser_zone()),
    }


def show_lot(story: LotStory) -> None:
    """One lot: its state, its head, its story, label and cautions."""
    lot = story.lot
    with st.spinner("Opening the lot …"):
        told = session.describe(story)
    st.header(parts.plain(f"{lot.name} ({lot.label})"))
    with st.container(horizontal=True):
        words = "Go on with this lot" if session.may_enter() else "Open it under Match"
        if not lot.closed and st.button(words, type="primary", key="go-on"):
            pages.go_to_lot("match", lot.id)
        st.download_button(
            "Lot sheet (PDF)", lambda: make_sheet(lot.id), f"lot-{lot.id}.pdf", "application/pdf",
            key="sheet", on_click="ignore", icon=":material/download:",
        )  # fmt: skip
        st.download_button(
            "Labels (PDF)", lambda: make_labels(lot.id), f"labels-{lot.id}.pdf", "application/pdf",
            key="labels", on_click="ignore", icon=":material/download:",
        )  # fmt: skip
    st.caption(
        "The labels carry the colours, their warning and a QR code of the lot number. The law asks for more."
    )
    show_state(story)
    if lot.closed:
        show_recheck(story)
    left, right = st.columns(2, gap="large")
    with left:
        st.subheader("Recipe")
        st.html(parts.facts(telling.head_facts(lot, session.shows_us()) | {"Tinted to": tell_target(story)}))
    with right:
        st.subheader("Label")
        st.html(parts.facts({"For the label": told["label"]}))
        st.subheader("Cautions")
        st.html("".join(parts.flag_line("Caution", caution["text"]) for caution in told["cautions"]))
    st.subheader("Story")
    st.html(
        telling.tell_story(story, session.shows_us())
        if story.events
        else parts.empty("Nothing happened yet.")
    )
    show_photos(story)


def make_sheet(lot_id: int) -> bytes:
    """The lot on paper, made when it is asked for."""
    from colourmatch.paper.sheet import write_lot_sheet

    out = io.BytesIO()
    write_lot_sheet(session.current_book(), lot_id, out, zone=parts.browser_zone())
    return out.getvalue()


def make_labels(lot_id: int) -> bytes:
    """A page of labels, made when it is asked for."""
    from colourmatch.paper.labels import write_label_page

    out = io.BytesIO()
    write_label_page(session.current_book(), lot_id, out, zone=parts.browser_zone())
    return out.getvalue()


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
        with st.expander(parts.plain(name[:1].upper() + name[1:]), on_change="rerun") as folded:
            if not folded.open:
                continue
            show_flags(photo.measurement)
            if photo.stored_name is not None:
                path = session.current_book().photo_store.path(photo.stored_name)
                show_picture(path, photo.measurement, photo.original_name or "photo")
            show_swatches(photo.measurement)


if __name__ == "__main__":
    show()
