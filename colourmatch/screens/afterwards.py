"""After the closing: photograph a lot again, and see whether its colour holds; drift comes from the package."""

from __future__ import annotations

import streamlit as st

from colourmatch.book.entries import LotStory
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import plots, session
from colourmatch.screens.amending import tell_newest
from colourmatch.screens.photo_view import end_upload, show_refused, upload_photos
from colourmatch.words.figures import PAGES, begin, tell_drift
from colourmatch.words.looks import tell_glass
from colourmatch.workflow.lot import view_of_photos
from colourmatch.workflow.recheck import Drift, record_recheck


def show_recheck(story: LotStory) -> None:
    """Whether the colour of a closed lot holds: in words, photo by photo, and a place for the next photo."""
    st.subheader("Does the colour hold?")
    show_refused(f"recheck-{story.lot.id}")
    drift = session.read_drift(story)
    first, rest = parts.split_sentence(drift.text)
    st.html(parts.panel("Since it was closed", first, [rest]))
    if change := drift.change_per_week:
        words = f"Change a week: {parts.show_lab(change.lab, change.lab_sd, 2)}; ± is one standard deviation."
        st.html(parts.line(f"{words} In brackets above: 95 % intervals."))
    left, right = st.columns(2, gap="large")
    with left:
        show_history(drift, telling.name_each_photo(story))
    with right:
        if drift.photos:
            st.plotly_chart(
                plots.draw_drift(drift), config=plots.CONFIG, key=f"drift-{story.lot.id}",
                alt="drift from the first colour over weeks, with the tolerance",
            )  # fmt: skip
    if not session.may_enter():
        return
    tell_newest(story)
    with st.expander("Photograph again", expanded=not drift.photos):
        take_photos(story)


def show_history(drift: Drift, names: dict[int, str]) -> None:
    """Each photo afterwards with its drift; those that tell nothing with why."""
    rows = {}
    if start := drift.start:
        when = f"{parts.show_date(start.at)}, {'finished' if drift.closed else 'so far'}"
        rows[when] = f"{parts.show_interval(start.delta_e_2000)} from its reference"
    for photo in drift.photos:
        when = f"{parts.show_date(photo.at)}, {parts.show_number(photo.weeks)} weeks"
        rows[when] = tell_drift(photo.delta_e_2000, photo.difference, PAGES)
    st.html(parts.facts(rows))
    lines = [parts.flag_line(begin(names[left.entry]), left.reason) for left in drift.left_out]
    if lines:
        st.html("".join(lines))


def take_photos(story: LotStory) -> None:
    """Measure and keep photos of the closed lot; what is of no use is named and not kept."""
    place, view = f"recheck-{story.lot.id}", view_of_photos(story)
    files = upload_photos(place, f"Kept sample and reference, {tell_glass(view.depth_mm, view.dilution)}")
    if not files:
        return
    with session.failures_shown():
        refused, kept, bar = [], 0, st.progress(0.0)
        for number, file in enumerate(files):
            bar.progress(number / len(files), f"Measuring photo {number + 1} of {len(files)} …")
            book, by = session.current_book(), session.entered_by()
            (sent,) = record_recheck(book, story.lot.id, [file], entered_by=by)
            if sent.note:
                refused.append((file[1], sent.note))
            else:
                kept += 1
        bar.empty()
        said = f"{kept} photos are measured and kept." if kept > 1 else ""  # of one its Undo says so
        end_upload(place, refused, said, files=files)
