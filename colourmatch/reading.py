"""Files that people name, read whole and bounded; it knows no formats.
Only a plain file is read: a pipe would be waited for, a device never ends.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

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
