"""The entry of `colourmatch` and of `python -m colourmatch`; it only hands over to the command line."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and leave with its exit code."""
    from colourmatch.cli import run

    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
