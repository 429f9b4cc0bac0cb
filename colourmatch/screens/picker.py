"""Compare two liquids on any photo: white, reference and batch are marked on the picture, no printed card, no lot. No
kept library draws rectangles with a finger and with keys: the field is two files in picker_parts/."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import streamlit as st

from colourmatch.errors import InputError
from colourmatch.photo.combine import combine_photos
from colourmatch.photo.load import load_photo
from colourmatch.photo.rectangles import measure_rectangles_or_refuse
from colourmatch.screens import html, pages, session
from colourmatch.screens.drawing import as_jpeg, to_srgb_picture
from colourmatch.screens.fields import ask_number, choose_one, pick_one
from colourmatch.screens.photo_view import clear_upload, show_flags, show_swatches, upload_photos
from colourmatch.workflow.lot import record_photos

#: name -> what it is called, and where it is to be drawn
LABELS = {"white": "White", "reference": "Reference", "batch": "Batch"}
WHERE = {
    "white": "bare white paper or the grey card",
    "reference": "the reference liquid",
    "batch": "the batch",
}
#: The picture is sent to the browser no larger than this.
_LONG_SIDE_PX = 1100
_FOLDER = Path(__file__).parent / "picker_parts"

Box = list[float | None]

_field = st.components.v2.component(
    "colourmatch_rectangle_field",
    css=(_FOLDER / "field.css").read_text("utf-8"),
    js=(_FOLDER / "field.js").read_text("utf-8"),
)

#: So many photos are held in one visit; the oldest goes first.
MOST_PHOTOS = 6
_AXES = ("x", "y", "width", "height")
_KINDS = {"white paper": 1.0, "grey card": 0.18}
_HOW = "Both beside something white or grey, on any photo. Mark all three; nothing is kept."
_LIMITS = """
- **What to photograph.** Glasses from above on white paper, or bottles from the side before a bright wall.
- **How much liquid the light passes.** A wider bottle or a fuller glass looks darker with the same liquid in it. Use
  two vessels of one kind, filled alike. The interval allows for a difference of a few per cent, not for a wide bottle
  beside a narrow one, and not for tinted glass.
- **The light between white and liquid.** What it does there is not known. The interval grows with the distance and with
  any slope of the light across the white: mark white close to both, in the same light.
- **Reflections.** Small ones are left out. One that covers a whole rectangle cannot be told from the liquid: turn the
  vessel or yourself.
- **Bottles from the side.** Light passes once, from the ground behind. Mark white on that same bright ground, beside the
  bottles, and not on a card that is lit from the front.
- **One liquid's own colour** is surer with the printed card; here it is a guide, and the difference is what counts.
"""


#: What a photo is measured with: rectangles by name, and the reflectance of the white.
Given = dict[str, tuple[float | None, ...] | float]


@dataclass
class Picked:
    """A photo of this visit: the hash of its content, its file, its full size, its rectangles by name."""

    mark: str
    name: str
    data: bytes
    size: tuple[int, int]
    boxes: dict[str, Box]

    def given(self, reflectance: float) -> Given | None:
        """What it is measured with, None while white or both liquids are missing."""
        whole: Given = {name: tuple(box) for name, box in self.boxes.items() if is_whole(box)}
        return whole | {"white_reflectance": reflectance} if "white" in whole and len(whole) > 1 else None


@dataclass
class Store:
    """What stays of this visit when another page is looked at.

    last: the photo that was marked last; active: the rectangle to draw next; count: that of the last drawing heard of.
    """

    photos: list[Picked] = field(default_factory=list)
    last: Picked | None = None
    chosen: str = ""
    active: str = "white"
    count: int = 0


def show() -> None:
    st.title("Compare two liquids on a photo")
    store: Store = st.session_state.setdefault("picker", Store())
    if not store.photos:
        st.write(_HOW)
        add_photos(store, "Photo")
        show_limits()
        return
    photos = {photo.mark: photo for photo in store.photos}
    names = {mark: f"{number}: {photo.name}" for number, (mark, photo) in enumerate(photos.items(), 1)}
    if len(photos) > 1:
        key, index = f"picker-photo-{store.photos[-1].mark[:12]}", list(names).index(store.chosen)
        store.chosen = pick_one("Photo", names, key, index=index)
    photo = photos[store.chosen]
    left, right = st.columns(2, gap="large")
    with left:
        show_marks(store, photo)
    with right:
        show_results(store, photo)
    with st.expander("Next photo of the same glasses", expanded=False):
        st.write("The rectangles come along. Several photos of the same glasses together are surer than one.")
        add_photos(store, "Next photo")
    show_limits()
    if st.button("Begin again with other photos", key="picker-anew"):
        st.session_state.pop("picker", None)
        st.rerun()


def show_limits() -> None:
    with st.expander("How, and what it cannot tell"):
        st.markdown(_LIMITS)


def add_photos(store: Store, label: str) -> None:
    """Take photos in; rectangles of the photo before come along."""
    files = upload_photos("picker", label)
    if not files:
        return
    with session.failures_shown():
        for data, name in files:
            mark, (_, size) = hashlib.sha256(data).hexdigest(), prepare_picture(data, name)
            photo = next((known for known in store.photos if known.mark == mark), None)
            if photo is None:
                carried = carry_boxes(store.last.boxes, store.last.size, size) if store.last else {}
                boxes = {name: carried.get(name, [None] * 4) for name in LABELS}
                photo = Picked(mark, name, data, size, boxes)
            photo.name = name
            others = [known for known in store.photos if known is not photo]
            store.photos, store.last, store.chosen = [*others, photo][-MOST_PHOTOS:], photo, mark
            store.active = next((name for name in LABELS if not is_whole(photo.boxes[name])), "batch")
        clear_upload("picker")
        st.rerun()


def show_marks(store: Store, photo: Picked) -> None:
    """The picture with its rectangles, the same as numbers, and what the white is."""

    key = f"picker-field-{photo.mark[:12]}"

    def hear() -> None:
        if picked := st.session_state[key].get("picked"):
            photo.boxes.update(take_boxes(picked.get("rectangles"), photo.size))
            active = picked.get("active")
            store.active = active if active in LABELS else "white"
            store.count, store.last = int(picked.get("count") or 0), photo

    image, size = prepare_picture(photo.data, photo.name)
    data = {
        "image": image, "size": list(size), "labels": LABELS, "where": WHERE, "photo": photo.mark,
        "active": store.active, "count": store.count, "alt": f"photo {photo.name}",
        "rectangles": {name: box if is_whole(box) else None for name, box in photo.boxes.items()},
    }  # fmt: skip
    _field(key=key, data=data, on_picked_change=hear)
    with st.expander("The rectangles as numbers"):
        width, height = photo.size
        st.caption(f"Pixels from the top left of the upright photo, which is {width} x {height}.")
        for spot in LABELS:
            ask_numbers(store, photo, spot)


def ask_numbers(store: Store, photo: Picked, spot: str) -> None:
    """Four number fields that show and change one rectangle."""
    box = photo.boxes[spot]

    def change(place: int, key: str) -> None:
        box[place] = st.session_state[key]
        store.active, store.last = spot, photo

    with st.container(horizontal=True, key=f"cm-numbers-{spot}"):
        for place, axis in enumerate(_AXES):
            key, value = f"picker-{photo.mark[:12]}-{spot}-{axis}", box[place]
            st.session_state[key] = None if value is None else int(value)
            st.number_input(
                f"{LABELS[spot]} {axis}", min_value=0 if place < 2 else 1, max_value=photo.size[place % 2], step=1,
                key=key, on_change=change, args=(place, key), width=140,
            )  # fmt: skip


measure = st.cache_data(show_spinner=False, max_entries=24)(measure_rectangles_or_refuse)


def show_results(store: Store, photo: Picked) -> None:
    """How far, which way, the colours, what is doubtful; of several photos what they give together."""
    kind = choose_one("What is marked as white", _KINDS, "picker-white", persist_state="session")
    reflectance = 1.0
    if kind == "grey card":
        percent = ask_number(
            st, "The card reflects, %", "picker-grey", 100 * _KINDS[kind], 2.0, 100.0, 1.0, persist_state="session",
            help="As it says on the card; 18 for the usual grey card.",
        )  # fmt: skip
        reflectance = float(percent or 100.0) / 100
    given = photo.given(reflectance)
    if given is None:
        st.html(html.empty("Mark white and both liquids on the picture: the difference appears here."))
        return
    measured = measure(photo.data, given, photo.name)
    if measured.refused:
        st.html(html.flag_line("Not measured", measured.refused, "refuse"))
        return
    all_given = [(number, one, one.given(reflectance)) for number, one in enumerate(store.photos, 1)]
    marked = {f"Photo {number}": measure(one.data, own, one.name) for number, one, own in all_given if own}
    together = combine_photos([*marked.values()], [*marked])
    if together is not None and len(together.photos) > 1:
        told, found = f"{len(together.photos)} photos together, 95 % interval", together.difference
        st.html(html.glance(html.difference_cells(found.delta_e_2000, found.text, told)))
        text = together.text
        st.html(html.line(text) if together.agree else html.flag_line("Doubtful", text, "warn"))
    if measured.delta_e_2000 and measured.difference:
        told, way = "this photo, with its 95 % interval", measured.difference.text
        st.html(html.glance(html.difference_cells(measured.delta_e_2000, way, told)))
    show_swatches(measured)
    show_flags(measured)
    offer_lot(store, reflectance)


def offer_lot(store: Store, reflectance: float) -> None:
    """Write the marked photos into an open lot, which then says what to add, and go there."""
    lots = session.current_book().lots.search(open_only=True, limit=40)
    if not lots or not session.may_enter():
        return
    with st.expander("Put it into a lot"):
        st.write(
            "The lot learns from it like from a photo with the card, only less. Its depth is that of the glasses seen "
            "from above; for bottles seen from the side it is half their inner width."
        )
        names = {lot.id: f"{lot.name} ({lot.label})" for lot in lots}
        chosen = pick_one("Lot", names, f"picker-lot-{lots[0].id}")
        if not st.button("Put it into this lot", key=f"picker-record-{chosen}", width="stretch"):
            return
        with session.failures_shown():
            kept, book, by = 0, session.current_book(), session.who_enters()
            for photo in store.photos:
                given = photo.given(reflectance)
                if given and "batch" in given:
                    sent = [(photo.data, photo.name)]
                    (found,) = record_photos(book, chosen, sent, entered_by=by, rectangles=given)
                    if found.measurement.refused:
                        raise InputError(found.measurement.refused)
                    kept += not found.repeated
            if not kept:
                raise InputError("These photos are in the lot already, or the batch is not marked on them.")
            if kept > 1:  # of one its Undo says so
                session.notify(f"{kept} photos are measured and kept.")
            pages.go_to_lot("match", chosen)


# ---- the picture as a field --------------------------------------------------------------------------------------


@st.cache_data(show_spinner=False, max_entries=8)
def prepare_picture(data: bytes, name: str) -> tuple[str, tuple[int, int]]:
    """A photo upright and small as an address of its content, and its full size; PhotoError when it cannot be read."""
    photo = load_photo(data, name)
    picture = to_srgb_picture(photo)
    picture.thumbnail((_LONG_SIDE_PX, _LONG_SIDE_PX))
    return html.as_address(as_jpeg(picture, 82), "jpeg"), photo.full_size


def is_whole(box: Sequence[float | None] | None) -> bool:
    return box is not None and len(box) == 4 and all(v is not None for v in box)


def take_boxes(sent: object, size: tuple[int, int]) -> dict[str, Box]:
    """The rectangles that a browser sent, whole numbers inside the photo; what is none is left out."""
    out: dict[str, Box] = {}
    for name in LABELS:
        box = sent.get(name) if isinstance(sent, Mapping) else None
        if not isinstance(box, list | tuple) or len(box) != 4:
            continue
        if all(isinstance(v, int | float) and math.isfinite(v) for v in box) and box[2] > 0 and box[3] > 0:
            out[name] = fit_box(box, size)
    return out


def fit_box(box: Sequence[float], size: tuple[int, int]) -> Box:
    """A rectangle in whole pixels, moved and cut so that it lies inside the photo."""
    width, height = (min(max(round(v), 1), most) for v, most in zip(box[2:], size, strict=True))
    x, y = (min(max(round(v), 0), most - long) for v, most, long in zip(box[:2], size, (width, height), strict=True))
    return [float(x), float(y), float(width), float(height)]


def carry_boxes(boxes: Mapping[str, Box], old: tuple[int, int], new: tuple[int, int]) -> dict[str, Box]:
    """The rectangles of one photo for the next one of the same scene, whatever its size."""
    scale = (new[0] / old[0], new[1] / old[1]) * 2
    return {
        name: fit_box([v * s for v, s in zip(box, scale, strict=True)], new)  # type: ignore[operator]
        for name, box in boxes.items()
        if is_whole(box)
    }
