"""Writes a page so that a reader sees the old one or the new one, never half of one."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path


class NotWritten(Exception):
    """A file for the keeper could not be written; the text says where, why and what to do."""


def write_whole(path: Path, text: str) -> Path:
    """Write a file beside its place, then move it there; readable by all, as a web server needs. Returns the path."""
    try:
        if path.is_dir():
            raise NotWritten(f"{path} is a folder: name a file in it, such as {path / 'report.html'}")
        if path.exists() and not path.is_file():
            raise NotWritten(f"{path} is a device or pipe, which would be lost: name a file")
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".new")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
            Path(name).chmod(0o644)
            Path(name).replace(path)
        except BaseException:
            with suppress(OSError):
                Path(name).unlink()
            raise
    except OSError as error:
        raise NotWritten(
            f"{path} cannot be written: {error.strerror or error}; the folder must exist and belong to the user that runs this"
        ) from error
    return path
