"""The rooms: imports run forward only and in no circle, and no room outgrows the others."""

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "colourmatch"
#: The rooms in the order in which they may import: each only what stands before it. Commands and screens are two ways in.
ORDER = (
    "errors", "facts", "directories", "files", "words", "amounts", "records", "colour", "measurement", "advice", "photo", "liquid", "dosing", "face", "book", "instrument",
    "workflow", "paper", "simulate", "demo", "guide", "sharing", "screens", "commands", "cli",
)  # fmt: skip
#: What a room knows nothing of although it stands before it.
NEVER = {
    "photo": {"words"}, "liquid": {"photo"}, "dosing": {"photo"}, "book": {"photo"}, "simulate": {"book", "workflow"},
    "sharing": {"book", "workflow"}, "guide": {"book", "workflow"},
}  # fmt: skip
#: A room holds at most this part of the product's lines.
MOST_OF_PRODUCT = 0.2
FILES = sorted(path for path in PACKAGE.rglob("*.py"))


@cache
def imports_of(path: Path) -> list[ast.Import | ast.ImportFrom]:
    """All imports anywhere in a file, inside functions too."""
    nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    return [node for node in nodes if isinstance(node, (ast.Import, ast.ImportFrom))]


@cache
def imported_modules(path: Path) -> set[str]:
    """Full names of all modules that a file imports."""
    found: set[str] = set()
    for node in imports_of(path):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        else:
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
def test_a_room_imports_only_rooms_before_it(path):
    room = room_of(path)
    if room in ("__init__", "__main__"):
        return
    used = {name.split(".")[1] for name in imported_modules(path) if name.startswith("colourmatch.")}
    allowed = {*ORDER[: ORDER.index(room) + 1], "__version__"} - NEVER.get(room, set())
    assert used <= allowed


def test_no_module_imports_itself_in_a_circle():
    """Imports for types and those in functions count too."""
    names = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
        for path in FILES
    }
    wanted = {name: whole_names(path, names) - {name} for name, path in names.items()}
    while free := {name for name, needs in wanted.items() if not needs & wanted.keys()}:
        wanted = {name: needs for name, needs in wanted.items() if name not in free}
    assert sorted(wanted) == []


def whole_names(path: Path, names: dict[str, Path]) -> set[str]:
    """The modules of the package that a file imports; `from room import module` names the module."""
    found = set()
    for node in imports_of(path):
        if isinstance(node, ast.ImportFrom):
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= inner & names.keys() or {str(node.module)} & names.keys()
        else:
            found |= {alias.name for alias in node.names} & names.keys()
    return found - {"colourmatch"}


def test_no_room_is_too_large():
    lines = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in FILES}
    whole = sum(lines.values())
    for room in ORDER:
        assert sum(n for path, n in lines.items() if room_of(path) == room) <= MOST_OF_PRODUCT * whole


@pytest.mark.parametrize(("library", "allowed"), [("colour", {"colour"}), ("streamlit", {"screens"})])
def test_one_room_alone_imports_a_library(library, allowed):
    users = {room_of(p) for p in FILES if library in {name.split(".")[0] for name in imported_modules(p)}}
    assert users <= allowed


def test_the_app_sets_the_page_and_the_navigation_only():
    names = {name.split(".")[0] for name in imported_modules(ROOT / "app.py")}
    assert names <= {"streamlit", "colourmatch", "__future__"}
    assert len((ROOT / "app.py").read_text(encoding="utf-8").splitlines()) < 40
