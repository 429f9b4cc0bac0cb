"""The direction of imports: photo, colour, liquid, dosing, lots, then what people see; never back."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "colourmatch"
COMMON = {"amounts", "errors", "facts", "writing", "__version__"}
#: room -> the rooms it may import besides itself and what is common
LEFT_OF = {
    "words": set(),
    "colour": set(),
    "photo": {"colour"},
    "liquid": {"colour"},
    "dosing": {"words", "colour", "liquid"},
    "lots": {"words", "colour", "photo", "liquid", "dosing"},
    "simulate": {"colour"},
    "guide": set(),
    "demo": {"colour", "lots", "simulate"},
    "sharing": set(),
    "commands": {"words", "colour", "photo", "liquid", "dosing", "lots", "demo", "cli", "sharing", "guide"},
    "cli": {"commands"},
    "screens": {"words", "colour", "photo", "liquid", "dosing", "lots", "sharing", "guide"},
}
#: The example lot is drawn by the demonstration; the work on lots only passes the wish on. The command that starts
#: the app starts its server. A phone's curve is fitted from what photos recorded of their tones: numbers, no pixels.
EXCEPTIONS = {
    ("workflow/lot.py", "demo"),
    ("commands/running.py", "screens"),
    ("instrument/phone_calibration.py", "photo"),
}
FILES = sorted(path for path in PACKAGE.rglob("*.py"))


def imported_modules(path: Path) -> set[str]:
    """Full names of all modules imported anywhere in a file, inside functions too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} has a relative import"
            module = node.module or ""
            found |= (
                {f"{module}.{alias.name}" for alias in node.names} if module == "colourmatch" else {module}
            )
    return found


def room_of(path: Path) -> str:
    """The first folder, or the name of a module at the top."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_room_imports_only_rooms_to_its_left(path):
    room = room_of(path)
    if room not in LEFT_OF:
        assert room in ("__init__", "__main__", "amounts", "errors", "facts", "writing"), (
            f"{room} is no room of the map in DEVELOPERS.md"
        )
        return
    used = {name.split(".")[1] for name in imported_modules(path) if name.startswith("colourmatch.")}
    relative = path.relative_to(PACKAGE).as_posix()
    used -= {wanted for file, wanted in EXCEPTIONS if file == relative}
    assert used <= LEFT_OF[room] | COMMON | {room}


@pytest.mark.parametrize(("library", "allowed"), [("colour", {"colour"}), ("streamlit", {"screens"})])
def test_one_room_alone_imports_a_library(library, allowed):
    users = {room_of(p) for p in FILES if library in {name.split(".")[0] for name in imported_modules(p)}}
    assert users <= allowed


def test_the_app_sets_the_page_and_the_navigation_only():
    names = {name.split(".")[0] for name in imported_modules(ROOT / "app.py")}
    assert names <= {"streamlit", "colourmatch", "__future__"}
    assert len((ROOT / "app.py").read_text(encoding="utf-8").splitlines()) < 40
