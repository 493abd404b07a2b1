"""The record of all that entered and left the rules, and of what is still owed to the keeper: one SQLite
file.

Exactly one connection writes, in the thread that opened it (the library versions in the field have a
corruption bug with several writers). Everyone else reads through `HistoryReader`. One transaction holds a
slice of the stream, the events that it caused and the messages that they owe; so a kill at any instant loses
all of them or none. The state after it is stored now and then: a restart works it out from the stream.
"""

from __future__ import annotations

import sqlite3
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from functools import partial
from io import FileIO
from pathlib import Path
from typing import TypeVar

from adapters.outlets.outlet import Owed
from daemon.store import outbox_rows
from daemon.store.backup import Progress, flush, no_progress
from daemon.store.batch_rows import batches, item_row, json_text, last_taken_ms
from daemon.store.doubt import doubt
from daemon.store.errors import HistoryError, history_error, senseless, tells_of_damage
from daemon.store.migrations import STEPS, Step
from daemon.store.opening import Opened, opened
from daemon.store.outbox_rows import Receipt
from daemon.store.packing import packed
from daemon.store.recovery import RECOVERED, Recovery, note_written_back, told
from daemon.store.retention import roll_up
from rules.terms.events import Batch, Event, SystemEvent
from rules.terms.quantities import Quantity

_Measured = TypeVar("_Measured")
_AGAIN_S = 10.0
"""How seldom a store that could not be opened is tried again."""
_INSERT_EVENT = "INSERT OR IGNORE INTO event (id, at_ms, kind, chamber, body) VALUES (?, ?, ?, ?, ?)"


class History:
    """The one writing connection. Open it in the thread that will use it."""

    def __init__(self, path: Path, opening: Callable[[], Opened]) -> None:
        self._path, self._opening = path, opening
        self._connection: sqlite3.Connection | None = None
        self._lock: FileIO | None = None
        self._absent: HistoryError | None = None
        self._again_s = 0.0
        self._file = 0, 0
        self._series: dict[tuple[str, str], int] = {}
        self._seq = self._last_reading = 0
        self.recovery: Recovery | None = None
        """What was done about a damaged store when it was opened; to be told loudly."""
        self.in_doubt = False
        """Whether the last end was not clean, or the file was doubted: to be examined beside the watching."""
        self.dropped = 0
        """How many expendable messages were dropped since the start, because too many waited."""
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
        history = History(path, partial(opened, path, backups or path.parent / "backups", now_ms, steps, progress))
        history._take()
        return history

    @staticmethod
    def open_or_later(path: Path, *, now_ms: int, progress: Progress = no_progress) -> History:
        """Open the store; where the disk does not let it be opened, try again at each use and raise HistoryError meanwhile.

        Raises HistoryError only for what no watching goes on with (`stops`).
        """
        history = History(path, partial(opened, path, path.parent / "backups", now_ms, STEPS, progress))
        try:
            history._take()
        except HistoryError as error:
            if error.stops:
                raise
            history._leave(error)
        return history

    @property
    def absent(self) -> HistoryError | None:
        """Why the store cannot be opened at present; None: it is open."""
        return self._absent

    def _take(self) -> None:
        taken = self._opening()
        try:
            self._series = {
                (probe, quantity): code
                for code, probe, quantity in taken.connection.execute("SELECT id, probe, quantity FROM series")
            }
            last = taken.connection.execute("SELECT seq, last_reading FROM batch ORDER BY seq DESC LIMIT 1").fetchone()
            self._seq, self._last_reading = (int(last[0]), int(last[1])) if last else (0, 0)
            status = self._path.stat()
        except BaseException as error:
            taken.close()
            if isinstance(error, sqlite3.Error):
                raise self._failed("opening the store", error) from error
            raise
        self._file = status.st_dev, status.st_ino
        self._connection, self._lock, self._absent = taken.connection, taken.lock, None
        self.recovery, self.in_doubt = taken.recovery, taken.in_doubt

    def _leave(self, error: HistoryError) -> None:
        """Let go of a store that the disk does not let us use; the next use after a while opens it anew."""
        self.close()
        self._absent, self._again_s = error, time.monotonic() + _AGAIN_S

    def _db(self) -> sqlite3.Connection:
        """Return the connection, opened anew where it was let go; raises HistoryError while that does not succeed."""
        if self._connection is None:
            if self._absent is not None and time.monotonic() < self._again_s:
                raise self._absent
            try:
                self._take()
            except HistoryError as error:
                self._leave(error)
                raise
        assert self._connection is not None
        return self._connection

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
        connection, self._connection = self._connection, None
        lock, self._lock = self._lock, None
        try:
            if connection is not None:
                connection.close()
        finally:
            if lock is not None:
                lock.close()

    # ------------------------------------------------------------ writing

    def record(
        self,
        batch: Batch,
        events: Sequence[Event] = (),
        state_json: bytes | None = None,
        owed: Sequence[Owed] = (),
        *,
        earlier: Sequence[Batch] = (),
        judged_ms: int | None = None,
    ) -> int:
        """Store a slice of the stream with all that follows from it, in one transaction; returns its number.

        `earlier` are slices before `batch` that caused no event and were held back to spare the disk. `judged_ms` is the
        instant up to which the rules have judged: a slice in which only time passed is stored too where it caused events, and
        a start judges up to there again. `state_json` is the state after all this, a snapshot that need not come with each
        slice. Raises HistoryError and changes nothing when it fails; when
        the error is `passing`, the same slices may be handed in again later.
        """
        self._db()
        held = self._series.copy(), self._seq, self._last_reading

        def write() -> None:
            for part in earlier:
                self._write_batch(part)
            self._write_batch(batch, judged_ms, told=bool(events))
            known = self._write_events(events)
            if state_json is not None:
                body = zlib.compress(state_json, 6)
                self._db().execute("INSERT OR REPLACE INTO state VALUES (1, ?, ?)", (self._seq, body))
            due = [each for each in owed if each.event_id not in known]
            self.dropped += outbox_rows.put(self._db(), due, self.limit)

        try:
            self._transaction("recording readings", write)
        except BaseException:
            self._series, self._seq, self._last_reading = held
            raise
        if self.recovery is not None and any(isinstance(each, SystemEvent) and each.what == RECOVERED for each in events):
            told(self._path)
            self.recovery = None
        return self._seq

    def prove(self) -> None:
        """Show that the store is in its place, can be locked for writing and read; writes nothing, to spare the disk."""
        self._transaction("proving the store", lambda: self._db().execute("SELECT seq FROM state").fetchone())

    def settle(self, receipts: Iterable[Receipt]) -> None:
        """Note what the outlets answered: what was taken over leaves the outbox, what was refused stays
        marked.
        """
        noted = list(receipts)
        if noted:
            self._transaction("noting deliveries", lambda: outbox_rows.settle(self._db(), noted))

    def reopen_refused(self, younger_than_ms: int) -> None:
        """Owe again what was refused: called at a start or with a new config, when it may go through now."""
        self._transaction(
            "reopening refused messages",
            lambda: outbox_rows.reopen_refused(self._db(), younger_than_ms),
        )

    def keep_outlets(self, outlets: Iterable[str]) -> int:
        """Drop what is owed to outlets that the config no longer names; returns how many messages that
        were.
        """
        known = set(outlets)
        dropped = 0

        def write() -> None:
            nonlocal dropped
            dropped = outbox_rows.keep_outlets(self._db(), known)

        self._transaction("dropping the debts of removed outlets", write)
        return dropped

    def roll_up(self, before_ms: int, most: int = 50_000) -> int:
        """Turn some `most` readings taken before `before_ms`, whole batches of them, into 15-minute minima, means and maxima;
        returns how many.

        Call again until it returns fewer. What a restart still needs (after the last state) and the keeper's
        words stay.
        """
        count = 0

        def write() -> None:
            nonlocal count
            count = roll_up(self._db(), before_ms, most)

        self._transaction("rolling up old readings", write)
        return count

    def measured(self, measure: Callable[[sqlite3.Connection], _Measured]) -> _Measured:
        """Return what a look at the tables finds. Raises HistoryError."""
        try:
            return measure(self._db())
        except sqlite3.Error as error:
            raise self._failed("measuring the store", error) from error

    def _write_events(self, events: Sequence[Event]) -> set[str]:
        """Write the new ones and return the ids that were known: told again after a restart, they owe nothing more."""
        known = set()
        for event in events:
            row = (event.id, event.at_ms, event.kind, event.chamber, json_text(event.as_json()))
            if self._db().execute(_INSERT_EVENT, row).rowcount == 0:
                known.add(event.id)
        return known

    def _write_batch(self, batch: Batch, judged_ms: int | None = None, told: bool = False) -> None:
        if not (len(batch.value) or batch.items or batch.clock_step_ms or (told and judged_ms is not None)):
            return
        taken_ms = last_taken_ms(batch)
        self._seq += 1
        codes = [self._code(probe, quantity) for probe, quantity in batch.series]
        self._last_reading += len(batch.value)
        items = [(self._seq, *item_row(item)) for item in batch.items]
        self._db().executemany("INSERT INTO item (batch, taken_ms, sort, body) VALUES (?, ?, ?, ?)", items)
        self._db().execute(
            "INSERT INTO batch VALUES (?, ?, ?, ?, ?, ?, ?)",
            (self._seq, max(taken_ms, judged_ms or taken_ms), len(batch.value), self._last_reading, len(items),
             batch.clock_step_ms, packed(batch, codes)),
        )  # fmt: skip

    def _code(self, probe: str, quantity: Quantity) -> int:
        code = self._series.get((probe, quantity))
        if code is None:
            row = self._db().execute(
                "INSERT INTO series (probe, quantity) VALUES (?, ?) RETURNING id", (probe, quantity)
            ).fetchone()
            code = self._series[probe, quantity] = int(row[0])
        return code

    def _transaction(self, doing: str, write: Callable[[], None]) -> None:
        connection = self._db()
        if not self._in_place():
            raise self._moved_away(connection)
        try:
            connection.execute("BEGIN IMMEDIATE")
            write()
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._roll_back(connection)
            failed = self._failed(doing, error)
            if not failed.stops and not failed.passing:
                self._leave(failed)  # after an error of the disk nothing is certain of this connection
            raise failed from error
        except BaseException:
            self._roll_back(connection)
            raise

    def _in_place(self) -> bool:
        try:
            status = self._path.stat()
        except OSError:
            return False
        return (status.st_dev, status.st_ino) == self._file

    def _moved_away(self, connection: sqlite3.Connection) -> HistoryError:
        """Write the store back that was moved or deleted while it was in use; return what to raise."""
        path, moved = self._path, f"{self._path}: the store was moved or deleted while dewlid used it"
        if path.exists():
            return HistoryError(f"{moved}, and another file stands there now; dewlid starts again on that one", stops=True)
        unfinished = path.with_name(f".{path.name}.unfinished")
        try:
            unfinished.unlink(missing_ok=True)
            with closing(sqlite3.connect(unfinished)) as copy:
                connection.backup(copy)
            flush(unfinished)
            unfinished.replace(path)
            flush(path.parent)
            note_written_back(path)
        except (sqlite3.Error, OSError) as error:
            return HistoryError(f"{moved}, and cannot be written back ({error})", stops=True)
        return HistoryError(f"{moved}; it was written back, and dewlid starts again", stops=True)

    def _failed(self, doing: str, error: sqlite3.Error) -> HistoryError:
        if tells_of_damage(error):
            doubt(self._path)  # the quick check at a start does not see all: the next one looks closer
        return history_error(self._path, doing, error)

    def _roll_back(self, connection: sqlite3.Connection) -> None:
        # Some errors (disk full, input/output) have already rolled back by themselves; asking again would
        # hide them.
        if connection.in_transaction:
            connection.execute("ROLLBACK")

    # ------------------------------------------------------------ going on after a restart

    def last_state(self) -> tuple[bytes, int] | None:
        """Return the newest stored state and the number of the batch up to which it holds; None in a new
        store.
        """
        if self._connection is None:
            return None
        try:
            return last_state(self._connection)
        except sqlite3.Error as error:
            raise self._failed("reading the last state", error) from error
        except (TypeError, ValueError) as error:
            doubt(self._path, f"its rows make no sense: {error}")
            raise senseless(self._path, error) from error

    @property
    def newest_ms(self) -> int | None:
        """Up to when the newest stored batch was judged."""
        if self._connection is None:
            return None
        row = self._connection.execute("SELECT taken_ms FROM batch ORDER BY seq DESC LIMIT 1").fetchone()
        return None if row is None else int(row[0])

    def stream_after(self, seq: int) -> Iterator[Batch]:
        """Yield what was stored after batch `seq`, as it was taken: advance the last state over it before
        going on.
        """
        try:
            yield from (batch for _, batch in batches(self._db(), seq))
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
