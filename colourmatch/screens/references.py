"""References: what lots are tinted to, over time; noted from photos, as an entered colour, or from an own lot."""

from __future__ import annotations

import streamlit as st

from colourmatch.book.entries import AmendmentEntry, LotStory
from colourmatch.errors import InputError
from colourmatch.screens import fields, html, session
from colourmatch.screens.photo_view import count_kept, end_upload, show_refused, upload_photos
from colourmatch.words.figures import PAGES, tell_drift
from colourmatch.words.looks import tell_glass
from colourmatch.workflow import references as noted
from colourmatch.workflow.references import WHICH

_SOURCES = {"photo": "photo", "lot": "own lot", "entered": "entered"}
_WAYS = ["Photos", "Entered colour", "Own lot"]
_NEW, IN_PHOTO = "a new one", "photo"
EMPTY = (
    "No reference is noted. One in every photo needs no entry: note it to see whether it holds, or to tint without it."
)


def list_readings() -> list[noted.KnownReference]:
    book = session.current_book()
    return [noted.read_reference(book, reference.id) for reference in book.references.all()]


def show_reference(reference: noted.KnownReference) -> None:
    """One reference: whether it holds, and its readings in time."""
    readings = reference.readings
    st.header(html.plain(reference.name))
    if reference.notes:
        st.html(html.line(reference.notes))
    st.html(html.flag_line("Does it hold", reference.text))
    if readings:
        last = readings[-1]
        words = f"{html.show_date(last.at)}, {tell_glass(*last.view)}"
        left, right = st.columns([1, 2], gap="large")
        left.html(html.swatches([html.Swatch("Latest reading", last.lab, last.lab_sd, words)]))
        rows = {}
        for row in reversed(readings):
            text = f"{html.show_lab(row.lab, row.lab_sd)}; {tell_glass(*row.view)}"
            if row.drift:
                text += f"; {tell_drift(row.drift, row.difference, PAGES)}, from reading {row.against}"
            rows[name_reading(row)] = text
        right.html(html.facts(rows))
        right.caption("The newest first. ± is one standard deviation, brackets are 95 % intervals.")


def name_reading(row: noted.KnownReading) -> str:
    """A reading by its number, day and source."""
    return f"{row.reading}: {html.show_date(row.at)}, {_SOURCES[row.source]}"


def ask_reading(known: list[noted.KnownReference]) -> None:
    """Note a new reference, or read a known one again."""
    act = fields.begin_act("reference")
    with st.expander("Note a reference", expanded=not known or act.is_typed()):
        show_refused("reference")
        names = [reference.name for reference in known]
        chosen = st.selectbox("Reference", [_NEW, *names], key=act.key("which")) if names else _NEW
        name = chosen
        if chosen == _NEW:
            name = fields.ask_name("Name", act.key("name"), "the bottle on the shelf")
        way = fields.choose_one("How", _WAYS, act.key("way"))
        if way == _WAYS[2]:
            ask_own_lot(name, act)
            return
        left, right = st.columns(2)
        told = "A lot is tinted to readings of its own depth and dilution only."
        depth_mm = fields.ask_figure(left, "depth_mm", act.key("depth"), 10.0)
        view = depth_mm, fields.ask_figure(right, "dilution", act.key("dilution"), 1.0, help=told)
        notes = st.text_input("Notes", key=act.key("notes")) if chosen == _NEW else ""
        (ask_photos if way == _WAYS[0] else ask_colour)(name, view, notes, act)


def ask_photos(name: str, view: tuple[float, float], notes: str, act: fields.Act) -> None:
    """Readings from photos, with the reference on either spot of the card."""
    spot = fields.choose_one("On the spot", ["reference", "batch"], act.key("spot"))
    files = upload_photos("reference", "Photos, beside water")
    if not files:
        return
    with session.failures_shown():
        with st.spinner("Measuring …"):
            sent = noted.record_reference(
                session.current_book(), name, files, spot, depth_mm=view[0], dilution=view[1], notes=notes,
                entered_by=session.who_enters(),
            )  # fmt: skip
        repeated = sum(one.repeated for one in sent)
        kept = count_kept(sent) - repeated
        said = tell_kept(name, kept, repeated) if kept or repeated else ""
        end_upload("reference", files, sent, said, "reference")


def tell_kept(name: str, kept: int, repeated: int) -> str:
    """How many readings are new, and how many photos were noted before and count once."""
    new = f"{kept or 'no'} new {'reading' if kept == 1 else 'readings'}"
    if not repeated:
        return f"The reference {name} has {new}."
    before = "1 photo was" if repeated == 1 else f"{repeated} photos were"
    return f"The reference {name} has {new}: {before} noted before."


def ask_colour(name: str, view: tuple[float, float], notes: str, act: fields.Act) -> None:
    """A colour from an instrument or a sheet."""
    st.write("CIELAB for D65 and 2 degrees, seen through that depth and dilution, against water.")
    axes = zip(st.columns(3), ("L*", "a*", "b*"), (0.0, -150.0, -150.0), (100.0, 150.0, 150.0), strict=True)
    lab = [fields.ask_number(place, name, act.key(name), None, low, high, 1.0) for place, name, low, high in axes]
    sd = fields.ask_number(
        st, "How unsure each of them is (one standard deviation)", act.key("sd"), 2.0, 0.1, 50.0, 0.5,
        help="A good instrument: 0.3. A colour read off a sheet or a screen: 2 or more.",
    )  # fmt: skip

    def enter(token: str) -> str:
        if None in lab:
            raise InputError("A colour needs all three numbers. Give L*, a* and b*, such as 60, 45, 30.")
        noted.enter_reference(
            session.current_book(), name, lab, lab_sd=[sd] * 3, depth_mm=view[0], dilution=view[1], notes=notes,
            entered_by=session.who_enters(),
        )  # fmt: skip
        return f"The colour of the reference {name} is entered."

    act.offer("Enter the colour", enter, "enter", type="primary", width="content")


def ask_own_lot(name: str, act: fields.Act) -> None:
    """The final colour of an own closed lot as a reference."""
    lots = {lot.id: f"{lot.name} ({lot.label})" for lot in reversed(session.current_book().lots.closed())}
    if not lots:
        st.html(html.empty("No lot is closed yet. A closed lot that turned out well can be a reference."))
        return
    source = fields.pick_one("Lot", lots, act.key("source", next(iter(lots))))
    st.caption("Its last photo after the last dose gives the colour, its depth and its dilution.")

    def take(token: str) -> str:
        book, by = session.current_book(), session.entered_by()
        made = noted.target_from_lot(book, source, name=name or None, entered_by=by)
        return f"{book.references.get(made.reference_id).name} is a reference now."

    act.offer("Make it a reference", take, "take", source, type="primary", width="content")


# ---- choosing the reading a lot is tinted to -------------------------------------------------------------------


def list_choices(known: list[noted.KnownReference]) -> dict[str, str]:
    """What a lot may be tinted to, as a reference's number and which reading, "2/latest" or "2/7", in words."""
    choices: dict[str, str] = {}
    for reference in (one for one in known if one.readings):
        rows, views = reference.readings, len({row.view for row in reference.readings})
        told = WHICH if len(rows) > views else {"latest": WHICH["latest"]}
        # by its number: its place in the list is moved by another reading
        told = told | {str(row.reading): f"reading {name_reading(row)}" for row in rows}
        number, name = reference.reference, reference.name
        choices |= {f"{number}/{which}": f"{name}, {words}" for which, words in told.items()}
    return choices


def check_view(choice: str, view: tuple[float, float]) -> None:
    """InputError when a lot of this depth and dilution cannot be tinted to that reading."""
    number, _, which = choice.partition("/")
    noted.find_readings(session.current_book(), int(number), which, view)


def ask_choice(story: LotStory) -> None:
    """Tint an open lot to another reading; what it was tinted to stays on record."""
    choices = list_choices(list_readings())
    if story.lot.target_lab is not None:
        choices[IN_PHOTO] = "the reference in each photo"
    if story.lot.closed or not choices:
        return
    with st.expander("What the lot is tinted to"):
        st.html(html.line(tell_target(story)))
        act = fields.act_on(story, "target", AmendmentEntry)
        chosen = fields.pick_one("Tint it to", choices, act.key("which"), index=None, placeholder="Choose")
        st.caption("It counts for photos without the reference; a reference in the photo counts before it.")

        def choose(_token: str) -> str:
            if chosen is None:
                raise InputError("Choose a reading first.")
            return choose_for_lot(story.lot.id, chosen)

        act.offer("Tint to this reading", choose, "choose")


def choose_for_lot(lot_id: int, choice: str) -> str:
    """Write down what a lot is tinted to; the sentence that says so."""
    book, by = session.current_book(), session.entered_by()
    if choice == IN_PHOTO:
        words = "tinted to the reference in each photo"
        book.lots.amend(lot_id, words, target_lab=None, entered_by=by)
        return f"The lot is {words}."
    number, _, which = choice.partition("/")
    told = noted.choose_reading(book, lot_id, int(number), which, entered_by=by)
    lab = html.show_lab(told.target_lab, told.target_lab_sd)
    return f"The lot is tinted to {told.called}: {lab}."


def tell_target(story: LotStory) -> str:
    return noted.tell_target(session.current_book(), story.lot, PAGES)
