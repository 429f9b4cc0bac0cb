"""Care and about: cautions, limits on file, the method in short, versions, and where the book lies."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

import streamlit as st

import colourmatch
from colourmatch.dosing.care import STANDING_CAUTIONS, limits_for, list_jurisdictions
from colourmatch.liquid.colourants import list_colourants
from colourmatch.screens import parts, session

METHOD = """
Reference and batch stand in the same light, in the same photo, in equal glasses beside a printed card.
Whatever the phone and the lamp do wrong, they do to both, so the **difference** is much more certain than
either colour.

1. The card's corner squares say where everything lies; its bare paper says how the light falls, its grey
   steps how the phone bends brightness.
2. The colour of each liquid is read through its window and given as CIELAB (D65, 2 degrees) against the
   glass of water. The difference is CIEDE2000 with a 95 % interval.
3. A model of how dyes absorb light (Beer-Lambert, over the whole spectrum) is fitted to all photos of the
   lot. It learns what a drop really does, and proposes a step that will hardly pass the match.
4. It stops when the batch is matched, when this stock can come no nearer, at the ceiling, or past the match.
   It says which.
"""


def show() -> None:
    """The page."""
    st.title("Care and about")
    st.header("What holds for every lot")
    st.html("".join(parts.flag_line("Care", caution.text) for caution in STANDING_CAUTIONS))
    show_limits()
    st.header("How it works, in short")
    st.markdown(METHOD)
    show_versions()


def show_limits() -> None:
    """The limits on file for one jurisdiction, with law and status."""
    st.header("Limits on file")
    place = st.segmented_control(
        "Jurisdiction",
        list_jurisdictions(),
        default=list_jurisdictions()[0],
        required=True,
        key="about-place",
    )
    st.write("Pure dye in the drink as sold, colour already in the base included.")
    limits = limits_for([colourant.e_number for colourant in list_colourants()], place)
    st.html("".join(parts.flag_line("Limit", limit.text) for limit in limits))


def show_versions() -> None:
    """Versions of the program and what it stands on, and where the book lies."""
    st.header("Versions and book")
    book = session.current_book()
    rows: dict[str, object] = {"colourmatch": colourmatch.__version__, "Python": platform.python_version()}
    for name in ("streamlit", "numpy", "scipy", "opencv-python", "pillow", "SQLAlchemy"):
        try:
            rows[name] = version(name)
        except PackageNotFoundError:
            continue
    st.html(parts.facts({"Lot book": book.place, "Photos": str(book.photo_store.folder)} | rows))
    st.write("Keep a copy of book and photos: `colourmatch book backup` writes both into one file.")


if __name__ == "__main__":
    show()
