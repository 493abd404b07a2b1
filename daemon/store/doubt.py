"""The mark of doubt beside a store that turned out damaged while it was read, copied or examined."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from daemon.store.belonging import write_beside

_DOUBTFUL = ".doubtful"


def _mark(path: Path) -> Path:
    return path.with_name(path.name + _DOUBTFUL)


def doubt(path: Path, found: str = "") -> None:
    """Leave a mark beside the store, with what was found.

    Without a finding it is only doubted: the file is examined beside the watching. Doubted again, it is taken for damaged.
    """
    mark = _mark(path)
    with suppress(OSError):
        write_beside(mark, f"found: {found}" if found else "again" if mark.exists() else "once")


def is_doubted(path: Path) -> bool:
    """Return whether a mark stands beside the store."""
    return _mark(path).exists()


def found_damaged(path: Path) -> str | None:
    """Return why the marked store is taken for damaged; None: it bears no mark, or is only doubted."""
    if not is_doubted(path):
        return None
    said = _mark(path).read_text(encoding="utf-8", errors="replace")
    if said.startswith("found: "):
        return said.removeprefix("found: ")
    return "it could not be read, twice" if said == "again" else None


def clear(path: Path) -> None:
    """Take the mark away: another file stands in the store's place now."""
    _mark(path).unlink(missing_ok=True)
