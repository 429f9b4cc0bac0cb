"""Takes photos in and shows what was read from one: the picture with its outlines, flags, the colours."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from itertools import islice
from typing import Any, NoReturn

import streamlit as st
from streamlit import runtime
from streamlit.runtime.scriptrunner import get_script_run_ctx

from colourmatch.advice import Advice
from colourmatch.book.entries import PhotoEntry
from colourmatch.errors import ColourMatchError, PhotoError
from colourmatch.measurement import Measurement, Sent
from colourmatch.screens import html, session
from colourmatch.screens.drawing import draw_found, draw_reading
from colourmatch.screens.lot_words import draw_scale
from colourmatch.words.looks import tell_metamerism

#: With image/* a phone offers its camera; the endings are for files whose kind the browser does not know.
TYPES = ["image/*", "jpg", "jpeg", "png", "heic", "heif", "tif", "tiff", "dng"]
#: Photos that one field takes at once; more are sent in a second go.
MOST_AT_ONCE = 20
#: What is near enough where no lot says so.
TOLERANCE = 1.5
#: Of so many refused photos of one upload it is drawn what is wrong.
MOST_FAULTS = 3
SWATCH_NOTE = "Only roughly these colours: judge the glass."


def upload_photos(
    place: str, label: str, *, many: bool = True, camera: Any = None, bare: bool = False
) -> list[tuple[bytes, str]]:
    """Photos chosen, or taken with the camera of this device, as bytes and name; each is handed out again in
    every run until `clear_upload`.

    camera: the container of the camera's fold, under the field where it is None; bare: the field shows no label.
    """
    token = session.token_for(f"upload-{place}")
    chosen = st.file_uploader(
        label, TYPES, accept_multiple_files=many,
        key=f"upload-{place}-{token}", label_visibility="collapsed" if bare else "visible",
        help="On a phone this offers the camera. The original file is best: JPEG, HEIC, PNG, TIFF or DNG, up to 60 MB.",
    )  # fmt: skip
    files = list(chosen) if isinstance(chosen, list) else [chosen] if chosen else []
    # a browser lends its camera to no page of an unencrypted network address
    if session.is_at_this_machine():
        with (camera or st).expander("Camera of this device"):
            told = "The picture is smaller than one from the camera app: use it when there is no other way."
            st.caption(told)
            if st.toggle("Switch the camera on", key=f"camera-on-{place}-{token}"):
                taken = st.camera_input("Camera", key=f"camera-{place}-{token}", resolution="1080p")
                files += [taken] if taken else []
    st.session_state[f"files-{place}"] = [file.file_id for file in files]
    if len(files) > MOST_AT_ONCE:
        text = (
            f"{len(files)} files are chosen, and {MOST_AT_ONCE} can be taken at once. Take some out, and send them "
            "afterwards."
        )
        st.html(html.flag_line("Not measured", text, "refuse"))
        return []
    return [(file.getvalue(), file.name) for file in files]


def clear_upload(place: str) -> None:
    """Begin with an empty upload field in the next run; what was in it is let go: Streamlit would keep it as long as the
    visit."""
    visit: Any = get_script_run_ctx()
    with contextlib.suppress(AttributeError, RuntimeError):  # the store is Streamlit's own and may change
        store: Any = runtime.get_instance().uploaded_file_mgr
        for one in st.session_state.pop(f"files-{place}", ()):
            store.remove_file(visit.session_id, one)
    st.session_state.pop(f"token-upload-{place}", None)


def end_upload(
    place: str, files: Sequence[tuple[bytes, str]], sent: Sequence[Sent], said: str | None = None, action: str = ""
) -> NoReturn:  # fmt: skip
    """Let the files of an upload go, each with what came of it, and start over: says what was kept, and next to the field
    what was not, and draws what is wrong with the first MOST_FAULTS that could not be read.

    said: what was kept, where it is told otherwise than by a number; action: the form that is empty again then.
    """
    if said is None:
        kept = count_kept(sent)
        said = f"{kept} photos are measured and kept." if kept > 1 else ""  # of one its Undo says so
    each = list(zip(files, sent, strict=True))
    refused = [(name, one.note) for (_, name), one in each if one.note]
    drawn = ((name, draw_fault(data, name)) for (data, name), one in each if one.measurement.refused)
    faults = list(islice((fault for fault in drawn if fault[1]), MOST_FAULTS))
    st.session_state[f"refused-{place}"] = refused, faults
    clear_upload(place)
    if said:
        st.session_state.pop(f"token-{action}", None)
        session.notify(said)
    st.rerun()


def count_kept(sent: Sequence[Sent]) -> int:
    return sum(not one.note for one in sent)


def show_refused(place: str, words: str = "Not kept", *, again: bool = False) -> bool:
    """The photos of the last upload that were of no use, with what to do; again: in the next run too; whether any was."""
    refused, faults = st.session_state.get(f"refused-{place}", ((), ()))
    if not again:
        st.session_state.pop(f"refused-{place}", None)
    if refused:
        st.html("".join(html.flag_line(words, f"{name}: {text}", "refuse") for name, text in refused))
    for name, picture in faults:
        st.image(picture, width="stretch", alt=f"photo {name} with what is wrong outlined")
    return bool(refused)


@st.cache_data(show_spinner=False, max_entries=4)
def draw_fault(data: bytes, name: str) -> bytes | None:
    """A refused photo with what was found in it and where it fails; None for one that nothing is known of."""
    from colourmatch.photo.measure import measure_photo

    try:
        measure_photo(data, name)
    except PhotoError as error:
        return draw_found(data, error.seen, name) if error.seen else None
    return None


@st.cache_data(show_spinner=False, max_entries=8)
def _measure(data: bytes, name: str) -> Measurement:
    from colourmatch.photo.measure import measure_or_refuse

    return measure_or_refuse(data, name)


def show_reading(data: bytes, name: str) -> None:
    """Measure a photo that belongs to no lot, and show it."""
    measured = _measure(data, name)
    if measured.refused:
        st.html(html.flag_line("Not measured", measured.refused, "refuse"))
        if picture := draw_fault(data, name):
            st.image(picture, width="stretch", alt=f"photo {name} with what is wrong outlined")
        return
    if (far := measured.delta_e_2000) and measured.difference:
        way = measured.difference.text
        st.html(draw_reading(data, measured) + draw_scale(way, far, TOLERANCE, expected=False))
        st.html(html.glance(html.difference_cells(far, way, "95 % interval")))
    show_metamerism(measured)
    show_flags(measured)
    show_picture(data, measured, name)
    show_swatches(measured)


def show_metamerism(measured: Measurement) -> None:
    """That two liquids that look alike are of different stuff, where a photo of the colour card shows it."""
    if words := tell_metamerism(measured.metamerism, measured.delta_e_2000):
        st.write(html.plain(words))


def show_flags(measured: Measurement, said: str = "") -> None:
    """The doubts about a photo, the grave ones first, but for those that stand in what is `said` above them."""
    words = {"refuse": "Not measured", "warn": "Doubtful"}
    doubts = [flag for flag in measured.quality if flag.text not in said]
    doubts.sort(key=lambda flag: flag.severity != "refuse")
    lines = [html.flag_line(words.get(one.severity, "Note"), one.text or "", one.severity) for one in doubts]
    if lines:
        st.html("".join(lines))


_draw = st.cache_data(show_spinner=False, max_entries=12)(draw_found)


def show_picture(source: str | bytes, measured: Measurement, name: str) -> None:
    """The photo with what was found drawn on it; a photo that is gone is said to be gone."""
    try:
        picture = _draw(source, measured.drawing, name)
    except ColourMatchError as error:
        st.html(html.flag_line("No picture", error.text))
        return
    st.image(picture, width="stretch", alt=f"photo {name} with markers, glasses and reading windows outlined")
    if card := measured.card:
        found = f"{card.markers} squares ({card.reprojection_mm:.2f} mm)"
        st.caption(html.plain(f"{name}. Solid: {found} and glasses. Dashed: read here."))


def show_photo(photo: PhotoEntry) -> None:
    if photo.stored_name is None:
        st.html(html.empty("This reading came without a picture."))
        return
    path = session.current_book().photo_store.path(photo.stored_name)
    show_picture(str(path), photo.measurement, photo.original_name or "photo")


def show_thumbnail(photo: PhotoEntry) -> None:
    """The same picture small, to know a photo by; nothing where it is gone."""
    if photo.stored_name is not None:
        with contextlib.suppress(ColourMatchError):
            path = session.current_book().photo_store.path(photo.stored_name)
            name = photo.original_name or "photo"
            st.image(_draw(str(path), photo.measurement.drawing, name), width=160, alt=f"photo {name}")


def show_swatches(measured: Measurement, advice: Advice | None = None) -> None:
    """Reference and batch as read, and the batch as predicted after the step of `advice`, edge to edge."""
    predicted = advice.predicted_lab if advice else None
    batch, reference = measured.spots.get("batch"), measured.spots.get("reference")
    colours = []
    if reference:
        colours.append(html.Swatch("Reference", reference.lab, reference.lab_sd, "the aim"))
    if batch:
        words = measured.difference.text if measured.difference else ""
        colours.append(html.Swatch("Batch", batch.lab, batch.lab_sd, words))
    if advice and reference and predicted and predicted.get("batch"):
        lab = html.place_beside(reference.lab, predicted)
        covariance = advice.predicted_covariance
        spread = [row[k] ** 0.5 for k, row in enumerate(covariance)] if covariance else None
        far = html.show_interval(advice.predicted)
        words = f"predicted, {far} away{'; ± against the reference' if spread else ''}"
        colours.append(html.Swatch("After this step", lab, spread, words))
    if colours:
        st.html(html.swatches(colours))
        whites = {"blank": "the glass of water", "paper": "the bare paper", "rectangle": "your white"}
        shown = batch or reference
        white = whites.get(shown.white, "") if shown else ""
        st.caption(f"{SWATCH_NOTE} D65, 2 degrees, against {white}, ± one standard deviation.")
