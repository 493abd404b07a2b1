"""How the store is opened: locked, recovered where it is damaged, brought to the newest tables."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

from daemon.store.backup import Progress, back_up, restore
from daemon.store.batch_rows import lenient_text
from daemon.store.belonging import belong
from daemon.store.doubt import clear, is_doubted
from daemon.store.errors import HistoryError, file_error, history_error
from daemon.store.migrations import Step, migrate, refuse_foreign_or_newer
from daemon.store.recovery import Recovery, recovered, told


@dataclass(frozen=True, slots=True)
class Opened:
    """A store that is open for its one writer."""

    connection: sqlite3.Connection
    lock: FileIO
    recovery: Recovery | None
    in_doubt: bool

    def close(self) -> None:
        """Let it go."""
        try:
            self.connection.close()
        finally:
            self.lock.close()


def opened(path: Path, backups: Path, now_ms: int, steps: Sequence[Step], progress: Progress) -> Opened:
    """Open the store, or make a new one. Raises HistoryError."""
    lock = _locked(path)
    try:
        unclean = _ended_unclean(path)  # before anything opens it
        recovery = recovered(path, backups, now_ms, progress)
        in_doubt = unclean or is_doubted(path)
        return Opened(_connected(path, backups, now_ms, steps, progress), lock, recovery, in_doubt)
    except sqlite3.Error as error:
        lock.close()
        raise history_error(path, "opening the store", error) from error
    except OSError as error:
        lock.close()
        raise file_error(path, "opening the store", error) from error
    except BaseException:
        lock.close()
        raise


def _locked(path: Path) -> FileIO:
    lock_path = path.with_name(path.name + ".lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = os.fdopen(os.open(lock_path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o640), "rb+", buffering=0)
        belong(lock.fileno(), path.parent, 0o660)  # a member of the group may take it too, to restore a backup
    except OSError as error:
        raise file_error(lock_path, "opening the store", error) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = lock.read(20).decode(errors="replace").strip()
        lock.close()
        raise HistoryError(
            f"{path}: another dewlid (process {holder or 'unknown'}) uses this store; stop it first, or give each its own file",
            stops=True,
        ) from error
    with suppress(OSError):  # a full disk: the lock holds all the same, only nobody is told by whom
        lock.truncate(0)
        lock.write(str(os.getpid()).encode())
    return lock


def restore_backup(backup: Path, path: Path, *, now_ms: int) -> Path | None:
    """Put a verified backup in the place of a store that no daemon uses; returns where the former one was
    set aside.
    """
    with _locked(path):
        former = restore(backup, path, now_ms=now_ms)
        clear(path)
        told(path)
        return former


def _ended_unclean(path: Path) -> bool:
    """Return whether a log lies beside the store: a clean end folds it in and takes it away."""
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0


def _connected(path: Path, backups: Path, now_ms: int, steps: Sequence[Step], progress: Progress) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.text_factory = lenient_text
    try:
        connection.execute("PRAGMA busy_timeout = 5000")
        connection.execute("PRAGMA foreign_keys = ON")
        refuse_foreign_or_newer(connection, path, steps)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        migrate(connection, lambda version: _before_upgrade(path, backups, now_ms, version, progress), steps)
    except BaseException:
        connection.close()
        raise
    return connection


def _before_upgrade(path: Path, backups: Path, now_ms: int, version: int, progress: Progress) -> None:
    back_up(path, backups, now_ms=now_ms, label=f"before-version-{version + 1}", progress=progress)
