"""The command line: how it starts, and how a failure becomes one line and an exit code: 2 for what the user
can mend, 1 for a fault of the program.
Nothing is imported at the top that `colourmatch --help` does not need, not even the parser of arguments.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from colourmatch import __version__
from colourmatch.commands import DEBUG, HELP
from colourmatch.commands.output import AnswerLost, guard_output
from colourmatch.errors import ColourMatchError, fit_to_print


def run(arguments: Sequence[str]) -> int:
    """Run one command line; the exit code."""
    arguments = list(arguments)
    try:
        with guard_output():
            return _run(arguments)
    except AnswerLost as lost:
        if lost.reader_left and "--json" not in arguments:
            return lost.exit_code  # such as `| head`: the person has read enough
        if not lost.refused:
            print(lost.tell(), file=sys.stderr)
        return lost.exit_code or 2


def _run(arguments: list[str]) -> int:
    for stream in (sys.stdout, sys.stderr):
        if stream is not None and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a file name need not be text of the terminal
    completing = "_COLOURMATCH_COMPLETE" in os.environ
    if arguments in ([], ["-h"], ["--help"]) and not completing:
        sys.stdout.write(HELP)
        return 0
    if arguments == ["--version"]:
        print(f"colourmatch {__version__}")
        return 0
    # Before numpy starts: its matrices are small here, and threads that wait for each other in every worker
    # took five times the processor time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    import click

    from colourmatch.commands.framework import root

    as_json = "--json" in arguments
    try:
        result = root.main(
            arguments,
            prog_name="colourmatch",
            standalone_mode=completing,
            complete_var="_COLOURMATCH_COMPLETE",
        )
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except (KeyboardInterrupt, click.Abort):
        print("Stopped. What was already entered is kept.", file=sys.stderr)
        return 130
    except click.ClickException as error:
        text, context = " ".join(error.format_message().split()), getattr(error, "ctx", None)
        end = "" if text.endswith((".", "?")) else "."
        see = f"See: {context.command_path if context else 'colourmatch'} --help"
        return _print_error(f"{text}{end} {see}", "usage", as_json)
    except ColourMatchError as error:
        return _print_error(error.text, error.code, as_json)
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 0
    except UnicodeEncodeError:  # bytes of the terminal that are no text
        return _print_error("A name or path holds a sign that is no text. Type it again.", "value", as_json)
    except AnswerLost:
        raise
    except Exception as error:
        return _report_fault(error, as_json)


def _print_error(text: str, code: str, as_json: bool, exit_code: int = 2) -> int:
    from colourmatch.commands.framework import print_json

    text = fit_to_print(" ".join(text.split()))
    print(text, file=sys.stderr)
    try:
        if as_json:
            print_json({"error": {"code": code, "text": text}})
    except AnswerLost as lost:
        lost.exit_code, lost.refused = exit_code, True
        raise
    return exit_code


def _report_fault(error: Exception, as_json: bool) -> int:
    if os.environ.get(DEBUG):
        import traceback

        traceback.print_exc()
    what = " ".join(f"{type(error).__name__}: {error}".split())[:300]
    text = f"A fault of the program, not yours: {what}. Run it again with {DEBUG}=1 to see the trace."
    return _print_error(text, "fault", as_json, 1)
