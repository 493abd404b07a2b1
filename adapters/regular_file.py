"""Opens a configured file: a pipe, device or folder in its place is refused at once, where reading it might wait for ever."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO


class NotRegular(OSError):
    """The path leads to something that is no file of bytes."""


def open_regular(path: str | Path) -> BinaryIO:
    """Open for reading; raises OSError."""
    # With an opener the descriptor is closed also where no stream comes of it. O_NONBLOCK: a FIFO would wait for its writer.
    stream = open(path, "rb", opener=lambda name, flags: os.open(name, flags | os.O_NONBLOCK))  # noqa: SIM115 - handed out
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise NotRegular(errno.EINVAL, "it is a pipe or a device, not a file", str(path))
    return stream


def checked_path(path: str) -> str:
    """Return the path of a file that a library opens by itself, after a look at it; raises OSError."""
    open_regular(path).close()
    return path
