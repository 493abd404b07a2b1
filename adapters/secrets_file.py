"""Reads a secret from a file of its own. Inline secrets do not exist, so that a config can be shown to anyone."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Annotated

from pydantic import Field, SecretStr

from adapters.errors import SecretUnreadable

LONGEST_SECRET = 4096
_CREDENTIAL = "credential:"

SecretFile = Annotated[
    str,
    Field(min_length=1, max_length=1024, pattern=r"^(/[^\x00]*|credential:[A-Za-z0-9_.-]{1,255})$"),
]
"""An absolute path, or `credential:NAME` for a credential handed over by systemd (`LoadCredential=NAME:...`)."""


def read_secret(source: str) -> SecretStr:
    """Return the secret without its final newline; raises SecretUnreadable with what to do about it."""
    path, handed_over = _place(source)
    data = _bounded(path, check_mode=not handed_over)
    try:
        text = data.decode("utf-8").removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError as error:
        raise SecretUnreadable(f"secret file {path}: not UTF-8 text; write it again as plain text") from error
    if not text or "\n" in text or "\0" in text:
        raise SecretUnreadable(f"secret file {path}: must hold the secret alone, on one line; it is empty or has several lines")
    return SecretStr(text)


def readable_path(source: str) -> Path:
    """Return the path of a file that a library must open itself (a private key), after the same checks as a secret."""
    path, handed_over = _place(source)
    _bounded(path, check_mode=not handed_over, largest=65_536)
    return path


def _place(source: str) -> tuple[Path, bool]:
    if not source.startswith(_CREDENTIAL):
        return Path(source), False
    name = source.removeprefix(_CREDENTIAL)
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if not folder:
        raise SecretUnreadable(
            f"{source}: $CREDENTIALS_DIRECTORY is not set, so no credential was handed over; start by systemd with"
            f" LoadCredential={name}:/path, or name a file instead"
        )
    if name in {".", ".."} or "/" in name:
        raise SecretUnreadable(f"{source}: a credential's name is not a path")
    return Path(folder) / name, True


def _bounded(path: Path, *, check_mode: bool, largest: int = LONGEST_SECRET) -> bytes:
    try:
        # O_NONBLOCK: opening a FIFO must not wait for a writer.
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        raise SecretUnreadable(
            f"secret file {path}: {error.strerror}; create it, owned by the user that runs dewlid, mode 0600"
        ) from error
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            raise SecretUnreadable(f"secret file {path}: not a regular file")
        if check_mode and status.st_mode & 0o077:
            raise SecretUnreadable(
                f"secret file {path}: mode is {stat.S_IMODE(status.st_mode):04o}, so others on this machine may touch it;"
                f" allowed is 0600 or 0400: chmod 600 {path}"
            )
        data = os.read(descriptor, largest + 1)
    except OSError as error:
        raise SecretUnreadable(f"secret file {path}: it cannot be read ({error.strerror}); look at the disk") from error
    finally:
        os.close(descriptor)
    if len(data) > largest:
        raise SecretUnreadable(f"secret file {path}: larger than {largest} bytes, so it is not a secret of ours")
    return data
