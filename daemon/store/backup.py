"""Copies of the store that can be trusted: made while it is in use, verified, and put back without
deleting anything.

A database in WAL mode must never be copied as a file; the database's own online backup is used. Whatever
is put in place is written under another name first, flushed to the disk, and renamed.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from daemon.store.belonging import hand_over
from daemon.store.doubt import doubt
from daemon.store.errors import HistoryError, file_error, history_error
from daemon.store.migrations import APPLICATION_ID, STEPS, version_of

SUFFIX = ".backup.sqlite3"
_PAGES = 25_000
"""Copied between two reports of progress where nobody writes; else all at once: a consistent copy while the daemon writes."""


Progress = Callable[[str, float], None]
"""Told what is being done, and within how many seconds it will be told again, so that whoever waits knows when it hangs."""


def no_progress(doing: str, within_s: float) -> None:
    """Tell nobody."""


def look_through_s(path: Path) -> float:
    """Return how long looking through a file may take at most: a tired memory card reads 5 MB a second."""
    return 60.0 + path.stat().st_size / 5e6


def stamp(now_ms: int) -> str:
    """Return an instant as it stands in file names: UTC, sortable, no colon."""
    return datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")


def flush(path: Path) -> None:
    """Make the file or folder durable on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def read_only_uri(path: Path) -> str:
    """Return how the store is opened without being able to change it, also by a member of the group.

    Where no log lies beside it nobody writes it; who may not write the folder cannot make one and reads the file as it lies.
    """
    at_rest = not os.access(path.with_name(f"{path.name}-wal"), os.F_OK) and not os.access(path.parent, os.W_OK)
    return f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if at_rest else ''}"


@contextmanager
def read_only(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the store without being able to change it; raises HistoryError for every failure inside."""
    try:
        with closing(sqlite3.connect(read_only_uri(path), uri=True, isolation_level=None)) as connection:
            connection.execute("PRAGMA busy_timeout = 5000")
            yield connection
    except sqlite3.Error as error:
        raise history_error(path, "reading the store", error) from error


def fault_of(path: Path, progress: Progress = no_progress) -> str | None:
    """Return what is wrong with this file as a store, None when it is whole. Reads all of it."""
    try:
        with read_only(path) as connection:
            progress(f"looking whether {path.name} is whole", look_through_s(path))
            if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                return "it is no store of dewlid"
            if not 0 < version_of(connection) <= len(STEPS):
                return f"its tables have version {version_of(connection)}, this program knows up to {len(STEPS)}"
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except HistoryError as error:
        return str(error)
    return None if found == "ok" else str(found)


def back_up(
    path: Path, folder: Path, *, now_ms: int, label: str = "", keep: int = 5, progress: Progress = no_progress
) -> Path:
    """Copy the store into `folder` while it is in use, verify the copy and return its path; older ones
    beyond `keep` go.

    Only copies without a label are counted and removed; one made before an upgrade stays until the keeper
    removes it.
    """
    name = f"{path.stem}.{label + '.' if label else ''}{stamp(now_ms)}{SUFFIX}"
    target, unfinished = folder / name, folder / f".{name}.unfinished"
    _copy(path, unfinished, progress)
    fault = fault_of(unfinished, progress)
    if fault:
        unfinished.unlink(missing_ok=True)
        doubt(path)
        raise HistoryError(f"{target}: the backup just made is not whole ({fault}) and was dropped; check the disk")
    _put(unfinished, target)
    for old in _unlabelled(path, folder)[keep:]:
        old.unlink()
    return target


def _copy(source: Path, target: Path, progress: Progress = no_progress) -> None:
    def told(_status: int, left: int, total: int) -> None:
        progress(f"copying {source.name}: {100 * (total - left) // max(total, 1)} %", 60.0)

    try:
        if not target.parent.is_dir():
            target.parent.mkdir(parents=True)
            hand_over(target.parent, 0o750)
        if os.geteuid() and not os.access(target.parent, os.W_OK | os.X_OK):
            raise HistoryError(f"{target.parent}: this user may not write there; type it with sudo")
        target.unlink(missing_ok=True)
        with read_only(source) as connection, closing(sqlite3.connect(target)) as copy:
            connection.backup(copy, pages=_PAGES if progress is not no_progress else -1, progress=told)
            copy.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as error:
        raise history_error(target, "writing a backup", error) from error
    except OSError as error:
        raise file_error(target, "writing a backup", error) from error


def _put(unfinished: Path, target: Path) -> None:
    hand_over(unfinished)
    flush(unfinished)
    unfinished.replace(target)
    flush(target.parent)


def _unlabelled(path: Path, folder: Path) -> list[Path]:
    found = folder.glob(f"{path.stem}.*{SUFFIX}")
    return sorted((each for each in found if each.name.count(".") == path.stem.count(".") + 3), reverse=True)


def name_aside(path: Path, *, now_ms: int) -> Path:
    """Return a free name under which a damaged store is kept."""
    target = path.with_name(f"{path.name}.damaged-{stamp(now_ms)}")
    number = 1
    while target.exists():
        number += 1
        target = path.with_name(f"{path.name}.damaged-{stamp(now_ms)}-{number}")
    return target


def set_aside(path: Path, target: Path) -> None:
    """Rename a store and its side files, the store itself last; nothing is deleted. Cut off, it may be called again."""
    for side in ("-wal", "-shm", ""):
        part = path.with_name(path.name + side)
        if part.exists():
            part.rename(target.with_name(target.name + side))
    flush(path.parent)


def restore(backup: Path, path: Path, *, now_ms: int) -> Path | None:
    """Put a verified backup in the place of the store; returns where the former store was set aside, None
    if there was none.

    The daemon must not be running on this store. Letters that the backup still owed and that are older
    than a day are not sent again: most of them were.
    """
    fault = fault_of(backup)
    if fault:
        raise HistoryError(f"{backup}: this backup is not whole ({fault}); take another one")
    former = name_aside(path, now_ms=now_ms) if path.exists() else None
    restore_checked(backup, path, former, now_ms=now_ms)
    return former


def restore_checked(
    backup: Path, path: Path, former: Path | None = None, *, now_ms: int, progress: Progress = no_progress
) -> None:
    """Put a backup that was found whole in the place of the store; the former store is kept as `former`."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    _copy(backup, unfinished, progress)
    _forget_old_debts(unfinished, now_ms)
    if former is not None:
        set_aside(path, former)
    _put(unfinished, path)


def _forget_old_debts(path: Path, now_ms: int) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM owed WHERE made_ms < ?", (now_ms - 86_400_000,))
