"""The standard output of a command, help and refusals too: where it cannot be written, as on a full disk or to a
reader who has left, the command ends in one line; it knows no answer."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout, suppress
from typing import Any, TextIO, cast


class AnswerLost(Exception):
    """What was printed did not arrive. `exit_code`: how the command ended; `refused`: it has said so in its one line."""

    def __init__(self, why: OSError) -> None:
        super().__init__(str(why))
        self.reader_left = isinstance(why, BrokenPipeError)
        self.why = why.strerror or str(why)
        self.exit_code = 0
        self.refused = False

    def tell(self) -> str:
        """What happened and what to do, in one sentence."""
        if self.reader_left:
            return "The answer was not read to its end: who was to read it has left. What was entered is kept."
        return f"The answer cannot be written: {self.why}. Send it to another place; what was entered is kept."


class _Stream:
    """A text stream whose failures are AnswerLost; everything else is the stream's own."""

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write, or AnswerLost."""
        if self._stream is None:  # the program was started with its output closed
            raise AnswerLost(OSError(errno.EBADF, os.strerror(errno.EBADF)))
        try:
            return self._stream.write(text)
        except OSError as error:
            raise AnswerLost(error) from None

    def flush(self) -> None:
        """Send on what was written, or AnswerLost."""
        try:
            if self._stream is not None:
                self._stream.flush()
        except OSError as error:
            raise AnswerLost(error) from None

    def isatty(self) -> bool:
        """Whether a person reads it on a terminal."""
        return self._stream is not None and self._stream.isatty()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def guard_output() -> Iterator[None]:
    """Within it the standard output raises AnswerLost, at the end of the block at the latest."""
    real = sys.stdout
    with redirect_stdout(cast(TextIO, _Stream(real))):
        try:
            yield
            sys.stdout.flush()
        except AnswerLost:
            if real is not None:
                # The interpreter must not complain again when it leaves.
                with suppress(OSError, ValueError):
                    os.dup2(os.open(os.devnull, os.O_WRONLY), real.fileno())
            raise
