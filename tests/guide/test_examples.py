"""The examples in docstrings are run: what they show is what the program gives."""

import doctest
import importlib
from pathlib import Path

import pytest

import colourmatch

PACKAGE = Path(colourmatch.__file__).parent
FILES = [path for path in sorted(PACKAGE.rglob("*.py")) if ">>> " in path.read_text(encoding="utf-8")]
WITHOUT_ENDING = [path.relative_to(PACKAGE.parent).with_suffix("") for path in FILES]
MODULES = [".".join(path.parts).removesuffix(".__init__") for path in WITHOUT_ENDING]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_hold(name):
    found = doctest.testmod(importlib.import_module(name), optionflags=doctest.FAIL_FAST)
    assert found.attempted and not found.failed


def test_the_rooms_of_colour_liquids_and_doses_have_examples():
    assert {name.split(".")[1] for name in MODULES} >= {"colour", "liquid", "dosing"}
