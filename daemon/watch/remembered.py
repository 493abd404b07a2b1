"""Writes what must be known after a restart, so that after a power cut it is there as before or as after, never in part."""

from __future__ import annotations

import os
from pathlib import Path

from daemon.store.backup import flush


def write_whole(path: Path, text: str) -> None:
    """Put a text in the place of a file that only we may read; raises OSError."""
    unfinished = path.with_suffix(".unfinished")
    descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(descriptor)
    unfinished.rename(path)
    flush(path.parent)
