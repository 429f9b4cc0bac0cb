"""Programs in a process of their own, which import the checkout that is tested, wherever another one is installed."""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]


def run_python(*words: Any, env: dict[str, str] | None = None, **options: Any) -> subprocess.CompletedProcess[str]:
    """Python with these words, such as "-c" and a piece of code; how it ended and what it said."""
    surroundings = os.environ | {"PYTHONPATH": str(ROOT)} | (env or {})
    call = [sys.executable, *(word if isinstance(word, bytes) else str(word) for word in words)]
    return subprocess.run(call, capture_output=True, text=True, timeout=600, env=surroundings, **options)
