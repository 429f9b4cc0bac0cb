"""Imports and reads what the app imports and reads while it warms up; whoever imports it pays for all of that."""

import importlib

from colourmatch.screens import server

for name in ("colourmatch.commands.running", "streamlit.starlette", *server._HEAVY):
    importlib.import_module(name)
server._read_tables()
