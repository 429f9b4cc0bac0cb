"""Files that people name: read whole and bounded, written whole or not at all; it knows no formats.
Only a plain file is read: a pipe would be waited for, a device never ends. What is new is written beside the
old file and takes its place when all of it is on the disk: an error or Ctrl-C leaves the old one as it was."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import re
import secrets
import shutil
import socket
import stat
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, TextIO

from colourmatch.errors import InputError

#: The disk is full, or this user's share of it, or the file is larger than the disk can hold one.
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


#: What jobs write beside their file until it is whole: the machine, the process, and a name of its own.
_PARTIAL = re.compile(r"\.(?:partial|backup)-([0-9a-f]{8})-(\d+)-\w+")
_LEFT_OVER_S = 86_400


def name_partial(kind: str = "partial") -> str:
    """A name for what is not whole yet, by which a later start knows whether its job still runs."""
    return f".{kind}-{_name_machine()}-{os.getpid()}-{secrets.token_hex(6)}"


def _name_machine() -> str:
    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]


def clear_left_over(folder: Path) -> int:
    """Take away what killed jobs left in a folder, of another machine what is a day old; how many pieces."""
    cleared = 0
    with suppress(OSError):
        for piece in list(folder.iterdir()):
            named = _PARTIAL.fullmatch(piece.name)
            if named and _is_left_over(piece, named[1], int(named[2])):
                with suppress(OSError):
                    shutil.rmtree(piece) if piece.is_dir() else piece.unlink()
                    cleared += 1
    return cleared


def _is_left_over(piece: Path, machine: str, process: int) -> bool:
    with suppress(OSError):
        if time.time() - piece.stat().st_mtime > _LEFT_OVER_S:
            return True
    if machine != _name_machine() or os.name != "posix":  # elsewhere a signal of 0 would end a process
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    return False


@contextmanager
def replace_whole(out: str | Path, *, mode: int | None = None, sync: bool = True) -> Iterator[BinaryIO]:
    """A stream whose content becomes the file `out` at the end of the block.

    mode: the rights of the new file; None keeps those of the old one, or gives the usual ones. sync: wait until the
    content and its name are on the disk. A device or a pipe is written as it is. Raises OSError when the place cannot
    be written; a file `out` is then as it was before.
    """
    if Path(out).exists() and not Path(out).is_file():
        with Path(out).open("wb") as stream:
            yield stream
        return
    target = Path(os.path.realpath(out))  # a link keeps pointing to what it pointed to
    if target.exists() and not os.access(target, os.W_OK):  # the rights of the folder alone would allow it
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(out))
    if mode is None:
        clear_left_over(target.parent)
        mode = stat.S_IMODE(target.stat().st_mode) if target.exists() else None
    partial = target.with_name(name_partial())
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(partial, flags, 0o666 if mode is None else mode)  # never more open than it will be
        with os.fdopen(handle, "wb") as stream:
            yield stream
            stream.flush()
            if sync:
                os.fsync(stream.fileno())
        if mode is not None:
            os.chmod(partial, mode)
        os.replace(partial, target)
        if sync:
            _keep_names(target.parent)
    except BaseException:
        with suppress(OSError):
            partial.unlink()
        raise


def _keep_names(folder: Path) -> None:
    """Wait until the folder's own list of names is on the disk, where a system lets a folder be opened for that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def replace_text(out: str | Path) -> Iterator[TextIO]:
    """As `replace_whole` for text in UTF-8, line ends as they are written."""
    with replace_whole(out) as stream:
        words = io.TextIOWrapper(stream, encoding="utf-8", newline="", write_through=True)
        try:
            yield words
        finally:
            words.detach()


def write_out(data: bytes, out: str | Path | BinaryIO, what: str) -> None:
    """Write a finished file to a path or an open binary file; InputError when the place cannot be written."""
    if not isinstance(out, (str, Path)):
        out.write(data)
        return
    try:
        with replace_whole(out) as stream:
            stream.write(data)
    except OSError as error:
        reason = error.strerror or "it cannot be written"
        todo = what_to_do(error, "Choose a file in a folder that exists and is yours.")
        raise InputError(f"The {what} cannot be written to {out} ({reason}). {todo}") from error


def what_to_do(error: OSError, otherwise: str) -> str:
    """What a person does about a file that could not be written; `otherwise` where room is not what was missing."""
    if error.errno not in NO_ROOM:
        return otherwise
    return "Make room there, or give a file on another disk; what was there before is as it was."


_silent = threading.Lock()


@contextmanager
def silence() -> Iterator[None]:
    """Keep what libraries of other languages print off the terminal, one at a time in the whole program."""
    with suppress(AttributeError, ValueError):
        sys.stderr.flush()
    _silent.acquire()
    try:
        kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    except OSError:  # there is no such stream, or no file may be opened
        _silent.release()
        yield
        return
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
        _silent.release()


#: Larger files than this are refused unread: they are no photos of a phone.
MAX_FILE_BYTES = 400_000_000


def read_plain_file(path: Path, most_bytes: int = MAX_FILE_BYTES) -> bytes:
    """The content of a plain file; OSError, whose `strerror` says what is wrong, for anything else."""
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as stream:
        found = os.fstat(handle)
        if stat.S_ISDIR(found.st_mode):
            raise IsADirectoryError(errno.EISDIR, "it is a folder")
        if not stat.S_ISREG(found.st_mode):
            raise OSError(errno.EINVAL, "it is a pipe or a device, not a file")
        if found.st_size > most_bytes:
            raise OSError(errno.EFBIG, f"the file has {found.st_size / 1e6:.0f} MB")
        data = stream.read(most_bytes + 1)
    if len(data) > most_bytes:  # one that has no size of its own
        raise OSError(errno.EFBIG, f"the file has more than {most_bytes / 1e6:.0f} MB")
    return data
