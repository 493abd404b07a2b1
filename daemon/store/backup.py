"""Copies of the store that can be trusted: made while it is in use, verified, and put back without
deleting anything.

A database in WAL mode must never be copied as a file; the database's own online backup is used. Whatever
is put in place is written under another name first, flushed to the disk, and renamed.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from daemon.store.errors import HistoryError, history_error
from daemon.store.migrations import APPLICATION_ID, STEPS, version_of

_SUFFIX = ".backup.sqlite3"
_DOUBTFUL = ".doubtful"


@dataclass(frozen=True, slots=True)
class Recovery:
    """What was done about a damaged store: where the damaged file is kept and from which backup it goes
    on (None: anew)."""

    set_aside: Path
    restored_from: Path | None
    found: str

    @property
    def text(self) -> str:
        """What the keeper should read."""
        goes_on = (
            f"dewlid goes on from the backup {self.restored_from}; what was recorded after it is only in the damaged file"
            if self.restored_from
            else "there was no good backup, so dewlid starts with an empty store: alarms that still stand will be raised again"
        )
        return f"The store was damaged ({self.found}). The damaged file is kept as {self.set_aside}; {goes_on}."


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


@contextmanager
def read_only(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the store without being able to change it; raises HistoryError for every failure inside."""
    try:
        uri = f"{path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as connection:
            connection.execute("PRAGMA busy_timeout = 5000")
            yield connection
    except sqlite3.Error as error:
        raise history_error(path, "reading the store", error) from error


def fault_of(path: Path) -> str | None:
    """Return what is wrong with this file as a store, None when it is whole. Reads all of it."""
    try:
        with read_only(path) as connection:
            if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                return "it is no store of dewlid"
            if not 0 < version_of(connection) <= len(STEPS):
                return f"its tables have version {version_of(connection)}, this program knows up to {len(STEPS)}"
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except HistoryError as error:
        return str(error)
    return None if found == "ok" else str(found)


def doubt(path: Path) -> None:
    """Leave a mark beside a store that turned out damaged while it was read or copied: the next start looks closer."""
    mark = path.with_name(path.name + _DOUBTFUL)
    with suppress(OSError):
        mark.write_text("again" if mark.exists() else "once", encoding="ascii")


def fault_of_doubtful(path: Path) -> str | None:
    """Return what is wrong with a store that bears the mark of doubt; None: it bears none, or it is whole after all.

    Found whole once, it goes on; when it then cannot be read again, it is taken for damaged whatever the check says.
    """
    mark = path.with_name(path.name + _DOUBTFUL)
    if not mark.exists():
        return None
    if mark.read_text(encoding="ascii", errors="replace") == "again":
        return "it could not be read, twice"
    try:
        with read_only(path) as connection:
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except HistoryError as error:
        return str(error)
    return None if found == "ok" else str(found)


def back_up(path: Path, folder: Path, *, now_ms: int, label: str = "", keep: int = 5) -> Path:
    """Copy the store into `folder` while it is in use, verify the copy and return its path; older ones
    beyond `keep` go.

    Only copies without a label are counted and removed; one made before an upgrade stays until the keeper
    removes it.
    """
    name = f"{path.stem}.{label + '.' if label else ''}{stamp(now_ms)}{_SUFFIX}"
    target, unfinished = folder / name, folder / f".{name}.unfinished"
    _copy(path, unfinished)
    fault = fault_of(unfinished)
    if fault:
        unfinished.unlink(missing_ok=True)
        doubt(path)
        raise HistoryError(f"{target}: the backup just made is not whole ({fault}) and was dropped; check the disk")
    _put(unfinished, target)
    for old in _unlabelled(path, folder)[keep:]:
        old.unlink()
    return target


def _copy(source: Path, target: Path) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.unlink(missing_ok=True)
        with read_only(source) as connection, closing(sqlite3.connect(target)) as copy:
            connection.backup(copy)  # in one step: a consistent copy even while the daemon writes
            copy.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as error:
        raise history_error(target, "writing a backup", error) from error
    except OSError as error:
        raise HistoryError(f"{target}: writing a backup failed: {error.strerror}; check the folder and its owner") from error


def _put(unfinished: Path, target: Path) -> None:
    flush(unfinished)
    unfinished.replace(target)
    flush(target.parent)


def _unlabelled(path: Path, folder: Path) -> list[Path]:
    found = folder.glob(f"{path.stem}.*{_SUFFIX}")
    return sorted((each for each in found if each.name.count(".") == path.stem.count(".") + 3), reverse=True)


def newest_good(path: Path, folder: Path) -> Path | None:
    """Return the newest verified backup of this store, of any label; None when there is none."""
    found = folder.glob(f"{path.stem}.*{_SUFFIX}")
    by_age = sorted(found, key=lambda each: each.name.removesuffix(_SUFFIX).rsplit(".", 1)[-1], reverse=True)
    return next((each for each in by_age if fault_of(each) is None), None)


def set_aside(path: Path, *, now_ms: int) -> Path:
    """Rename a damaged store and its side files; nothing is deleted."""
    target = path.with_name(f"{path.name}.damaged-{stamp(now_ms)}")
    number = 1
    while target.exists():
        number += 1
        target = path.with_name(f"{path.name}.damaged-{stamp(now_ms)}-{number}")
    path.with_name(path.name + _DOUBTFUL).unlink(missing_ok=True)
    for side in ("-wal", "-shm", ""):
        part = path.with_name(path.name + side)
        if part.exists():
            part.rename(target.with_name(target.name + side))
    flush(path.parent)
    return target


def restore(backup: Path, path: Path, *, now_ms: int) -> Path | None:
    """Put a verified backup in the place of the store; returns where the former store was set aside, None
    if there was none.

    The daemon must not be running on this store. Letters that the backup still owed and that are older
    than a day are not sent again: most of them were.
    """
    fault = fault_of(backup)
    if fault:
        raise HistoryError(f"{backup}: this backup is not whole ({fault}); take another one")
    unfinished = path.with_name(f".{path.name}.unfinished")
    _copy(backup, unfinished)
    _forget_old_debts(unfinished, now_ms)
    former = set_aside(path, now_ms=now_ms) if path.exists() else None
    _put(unfinished, path)
    return former


def _forget_old_debts(path: Path, now_ms: int) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM owed WHERE made_ms < ?", (now_ms - 86_400_000,))
