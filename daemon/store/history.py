"""The record of all that entered and left the rules, and of what is still owed to the keeper: one SQLite
file.

Exactly one connection writes, in the thread that opened it (the library versions in the field have a
corruption bug with several writers). Everyone else reads through `HistoryReader`. One transaction holds a
slice of the stream, the events that it caused, the state after it and the messages that they owe; so a kill
at any instant loses all of them or none.
"""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import IO, Any

from adapters.outlets.outlet import Owed
from daemon.store import outbox_rows
from daemon.store import recovery as recoveries
from daemon.store.backup import Progress, back_up, flush, no_progress, restore
from daemon.store.batch_rows import batches, item_row, last_taken_ms, lenient_text, reading_rows
from daemon.store.doubt import clear, doubt, is_doubted
from daemon.store.errors import HistoryError, history_error, senseless, tells_of_damage
from daemon.store.migrations import STEPS, Step, migrate, refuse_foreign_or_newer
from daemon.store.outbox_rows import Receipt
from daemon.store.retention import roll_up
from rules.terms.events import Batch, Event
from rules.terms.quantities import Quantity

_INSERT_EVENT = "INSERT OR IGNORE INTO event (id, at_ms, kind, chamber, body) VALUES (?, ?, ?, ?, ?)"


class History:
    """The one writing connection. Open it in the thread that will use it."""

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        lock: IO[str],
        recovery: recoveries.Recovery | None,
        *,
        in_doubt: bool = False,
    ) -> None:
        self._path = path
        self._connection = connection
        self._lock = lock
        self.recovery = recovery
        """What was done about a damaged store when it was opened; to be told loudly."""
        self.in_doubt = in_doubt
        """Whether the last end was not clean, or the file was doubted: to be examined beside the watching."""
        status = path.stat()
        self._file = status.st_dev, status.st_ino
        self.dropped = 0
        """How many expendable messages were dropped since the start, because too many waited."""
        self._series = {
            (probe, quantity): code for code, probe, quantity in connection.execute("SELECT id, probe, quantity FROM series")
        }
        last = connection.execute("SELECT seq, last_reading FROM batch ORDER BY seq DESC LIMIT 1").fetchone()
        self._seq, self._last_reading = (int(last[0]), int(last[1])) if last else (0, 0)
        self.limit = outbox_rows.LIMIT

    @staticmethod
    def open(
        path: Path,
        *,
        now_ms: int,
        backups: Path | None = None,
        steps: Sequence[Step] = STEPS,
        progress: Progress = no_progress,
    ) -> History:
        """Open the store, or make a new one; a damaged file is set aside and the newest good backup takes
        its place, which may take minutes and is told to `progress`.

        Raises HistoryError when another dewlid uses it, when a newer one wrote it, or when the file cannot
        be used at all.
        """
        backups = backups or path.parent / "backups"
        lock = _locked(path)
        try:
            unclean = _ended_unclean(path)  # before anything opens it
            recovery = recoveries.recovered(path, backups, now_ms, progress)
            in_doubt = unclean or is_doubted(path)
            connection = _connected(path, backups, now_ms, steps)
            return History(path, connection, lock, recovery, in_doubt=in_doubt)
        except sqlite3.Error as error:
            lock.close()
            raise history_error(path, "opening the store", error) from error
        except BaseException:
            lock.close()
            raise

    @property
    def path(self) -> Path:
        """Where the file is, for readers."""
        return self._path

    @property
    def seq(self) -> int:
        """Number of the newest stored batch."""
        return self._seq

    def close(self) -> None:
        """Fold the write-ahead log into the file and let another dewlid open it."""
        try:
            self._connection.close()
        finally:
            self._lock.close()

    # ------------------------------------------------------------ writing

    def record(
        self,
        batch: Batch,
        events: Sequence[Event] = (),
        state_json: bytes | None = None,
        owed: Sequence[Owed] = (),
        *,
        earlier: Sequence[Batch] = (),
    ) -> int:
        """Store a slice of the stream with all that follows from it, in one transaction; returns its number.

        `earlier` are slices before `batch` that caused no event and were held back to spare the disk.
        `state_json` is the state after `batch`. Raises HistoryError and changes nothing when it fails; when
        the error is `passing`, the same slices may be handed in again later.
        """
        held = self._series.copy(), self._seq, self._last_reading

        def write() -> None:
            for part in (*earlier, batch):
                self._write_batch(part)
            known = self._write_events(events)
            if state_json is not None:
                body = zlib.compress(state_json, 6)
                self._connection.execute("INSERT OR REPLACE INTO state VALUES (1, ?, ?)", (self._seq, body))
            due = [each for each in owed if each.event_id not in known]
            self.dropped += outbox_rows.put(self._connection, due, self.limit)

        if not self._in_place():
            raise self._moved_away()
        try:
            self._transaction("recording readings", write)
        except BaseException:
            self._series, self._seq, self._last_reading = held
            raise
        if self.recovery is not None and events:
            recoveries.told(self._path)
            self.recovery = None
        return self._seq

    def prove(self) -> None:
        """Show that the store is in its place, can be locked for writing and read; writes nothing, to spare the disk."""
        if not self._in_place():
            raise self._moved_away()
        self._transaction("proving the store", lambda: self._connection.execute("SELECT seq FROM state").fetchone())

    def settle(self, receipts: Iterable[Receipt]) -> None:
        """Note what the outlets answered: what was taken over leaves the outbox, what was refused stays
        marked.
        """
        noted = list(receipts)
        if noted:
            self._transaction("noting deliveries", lambda: outbox_rows.settle(self._connection, noted))

    def reopen_refused(self, younger_than_ms: int) -> None:
        """Owe again what was refused: called at a start or with a new config, when it may go through now."""
        self._transaction(
            "reopening refused messages",
            lambda: outbox_rows.reopen_refused(self._connection, younger_than_ms),
        )

    def keep_outlets(self, outlets: Iterable[str]) -> int:
        """Drop what is owed to outlets that the config no longer names; returns how many messages that
        were.
        """
        known = set(outlets)
        dropped = 0

        def write() -> None:
            nonlocal dropped
            dropped = outbox_rows.keep_outlets(self._connection, known)

        self._transaction("dropping the debts of removed outlets", write)
        return dropped

    def roll_up(self, before_ms: int, most: int = 50_000) -> int:
        """Turn at most `most` readings taken before `before_ms` into 15-minute minima, means and maxima;
        returns how many.

        Call again until it returns 0. What a restart still needs (after the last state) and the keeper's
        words stay.
        """
        count = 0

        def write() -> None:
            nonlocal count
            count = roll_up(self._connection, before_ms, most)

        self._transaction("rolling up old readings", write)
        return count

    def _write_events(self, events: Sequence[Event]) -> set[str]:
        """Write the new ones and return the ids that were known: told again after a restart, they owe nothing more."""
        known = set()
        for event in events:
            row = (event.id, event.at_ms, event.kind, event.chamber, json_text(event.as_json()))
            if self._connection.execute(_INSERT_EVENT, row).rowcount == 0:
                known.add(event.id)
        return known

    def _write_batch(self, batch: Batch) -> None:
        if not (len(batch.value) or batch.items or batch.clock_step_ms):
            return
        self._seq += 1
        codes = [self._code(probe, quantity) for probe, quantity in batch.series]
        rows = reading_rows(batch, codes, self._last_reading + 1)
        self._connection.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows)
        self._last_reading += len(batch.value)
        items = [(self._seq, *item_row(item)) for item in batch.items]
        self._connection.executemany("INSERT INTO item (batch, taken_ms, sort, body) VALUES (?, ?, ?, ?)", items)
        self._connection.execute(
            "INSERT INTO batch VALUES (?, ?, ?, ?, ?, ?)",
            (
                self._seq,
                last_taken_ms(batch),
                len(batch.value),
                self._last_reading,
                len(items),
                batch.clock_step_ms,
            ),
        )

    def _code(self, probe: str, quantity: Quantity) -> int:
        code = self._series.get((probe, quantity))
        if code is None:
            row = self._connection.execute(
                "INSERT INTO series (probe, quantity) VALUES (?, ?) RETURNING id", (probe, quantity)
            ).fetchone()
            code = self._series[probe, quantity] = int(row[0])
        return code

    def _transaction(self, doing: str, write: Callable[[], None]) -> None:
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            write()
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._roll_back()
            raise self._failed(doing, error) from error
        except BaseException:
            self._roll_back()
            raise

    def _in_place(self) -> bool:
        try:
            status = self._path.stat()
        except OSError:
            return False
        return (status.st_dev, status.st_ino) == self._file

    def _moved_away(self) -> HistoryError:
        """Write the store back that was moved or deleted while it was in use; return what to raise."""
        path, moved = self._path, f"{self._path}: the store was moved or deleted while dewlid used it"
        if path.exists():
            return HistoryError(f"{moved}, and another file stands there now; dewlid starts again on that one")
        unfinished = path.with_name(f".{path.name}.unfinished")
        try:
            unfinished.unlink(missing_ok=True)
            with closing(sqlite3.connect(unfinished)) as copy:
                self._connection.backup(copy)
            flush(unfinished)
            unfinished.replace(path)
            flush(path.parent)
        except (sqlite3.Error, OSError) as error:
            return HistoryError(f"{moved}, and cannot be written back ({error})")
        return HistoryError(f"{moved}; it was written back, and dewlid starts again")

    def _failed(self, doing: str, error: sqlite3.Error) -> HistoryError:
        if tells_of_damage(error):
            doubt(self._path)  # the quick check at a start does not see all: the next one looks closer
        return history_error(self._path, doing, error)

    def _roll_back(self) -> None:
        # Some errors (disk full, input/output) have already rolled back by themselves; asking again would
        # hide them.
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    # ------------------------------------------------------------ going on after a restart

    def last_state(self) -> tuple[bytes, int] | None:
        """Return the newest stored state and the number of the batch up to which it holds; None in a new
        store.
        """
        try:
            return last_state(self._connection)
        except sqlite3.Error as error:
            raise self._failed("reading the last state", error) from error
        except (TypeError, ValueError) as error:
            doubt(self._path, f"its rows make no sense: {error}")
            raise senseless(self._path, error) from error

    @property
    def newest_ms(self) -> int | None:
        """When the newest stored batch was taken."""
        row = self._connection.execute("SELECT taken_ms FROM batch ORDER BY seq DESC LIMIT 1").fetchone()
        return None if row is None else int(row[0])

    def stream_after(self, seq: int) -> Iterator[Batch]:
        """Yield what was stored after batch `seq`, as it was taken: advance the last state over it before
        going on.
        """
        try:
            yield from (batch for _, batch in batches(self._connection, seq))
        except sqlite3.Error as error:
            raise self._failed("reading the record", error) from error
        except (TypeError, ValueError, LookupError, OverflowError) as error:
            doubt(self._path, f"its rows make no sense: {error}")
            raise senseless(self._path, error) from error


def last_state(connection: sqlite3.Connection) -> tuple[bytes, int] | None:
    """Return the state snapshot of a store and the number of the batch up to which it holds."""
    row = connection.execute("SELECT body, seq FROM state").fetchone()
    try:
        return None if row is None else (zlib.decompress(row[0]), int(row[1]))
    except zlib.error:
        return None  # damaged


def json_text(body: Any) -> str:
    """Return compact JSON text; a float that is no number becomes null, which is how the unknown is
    written.
    """
    try:
        return json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    except ValueError:
        return json.dumps(_without_nan(body), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _without_nan(body: Any) -> Any:
    if isinstance(body, dict):
        return {key: _without_nan(value) for key, value in body.items()}
    if isinstance(body, list | tuple):
        return [_without_nan(value) for value in body]
    if isinstance(body, float) and not (-1.8e308 < body < 1.8e308):
        return None
    return body


# ---------------------------------------------------------------- opening


def _locked(path: Path) -> IO[str]:
    lock_path = path.with_name(path.name + ".lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = lock_path.open("a+")
    except OSError as error:
        raise HistoryError(
            f"{lock_path}: {error.strerror}; the folder of the store must exist and belong to the user that runs dewlid"
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        lock.seek(0)
        holder = lock.read(20).strip()
        lock.close()
        raise HistoryError(
            f"{path}: another dewlid (process {holder or 'unknown'}) uses this store; stop it first, or give each its own file"
        ) from error
    lock.truncate(0)
    lock.write(str(os.getpid()))
    lock.flush()
    return lock


def restore_backup(backup: Path, path: Path, *, now_ms: int) -> Path | None:
    """Put a verified backup in the place of a store that no daemon uses; returns where the former one was
    set aside.
    """
    with _locked(path):
        former = restore(backup, path, now_ms=now_ms)
        clear(path)
        recoveries.told(path)
        return former


def _ended_unclean(path: Path) -> bool:
    """Return whether a log lies beside the store: a clean end folds it in and takes it away."""
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0


def _connected(path: Path, backups: Path, now_ms: int, steps: Sequence[Step]) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.text_factory = lenient_text
    try:
        connection.execute("PRAGMA busy_timeout = 5000")
        connection.execute("PRAGMA foreign_keys = ON")
        refuse_foreign_or_newer(connection, path, steps)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        migrate(connection, lambda version: _before_upgrade(path, backups, now_ms, version), steps)
    except BaseException:
        connection.close()
        raise
    return connection


def _before_upgrade(path: Path, backups: Path, now_ms: int, version: int) -> None:
    back_up(path, backups, now_ms=now_ms, label=f"before-version-{version + 1}")
