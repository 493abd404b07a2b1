"""Whose a file is that we leave in a folder of the service: the folder's, whoever types the command, whatever the umask."""

from __future__ import annotations

import os
from pathlib import Path

_MODE = 0o640


def belong(descriptor: int, folder: Path, mode: int = _MODE) -> None:
    """Give the open file to the owner of its folder; where only root may, let the folder's group do what its owner may.

    The owner of the folder is one of that group, and could not use it otherwise. Raises OSError when he will not be able to.
    """
    theirs, ours = folder.stat(), os.fstat(descriptor)
    if os.geteuid() == 0:
        os.fchown(descriptor, theirs.st_uid, theirs.st_gid)
    elif ours.st_uid != theirs.st_uid:
        if ours.st_gid != theirs.st_gid:
            os.fchown(descriptor, -1, theirs.st_gid)
        mode |= (mode & 0o700) >> 3
    if os.geteuid() in (0, ours.st_uid):
        os.fchmod(descriptor, mode)


def hand_over(path: Path, mode: int = _MODE) -> None:
    """Have a file or folder that we have just made `belong`; a link is not followed."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        belong(descriptor, path.parent, mode)
    finally:
        os.close(descriptor)


def write_beside(path: Path, text: str) -> None:
    """Write a small file beside the store; a link that somebody put in its place is refused. Raises OSError."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, _MODE)
    with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
        belong(descriptor, path.parent)
        stream.write(text)
