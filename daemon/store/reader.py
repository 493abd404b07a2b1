"""Reads the store beside the running daemon, for replay, reports, the outlets' threads and the command
line. It cannot write.
"""

from __future__ import annotations

import json
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from daemon.store.backup import read_only_uri
from daemon.store.batch_rows import batches, lenient_text, readings_of, seq_passing, seq_reaching, series_names, span_ms
from daemon.store.errors import TO_BE_LET_IN, HistoryError, history_error
from daemon.store.history import last_state
from daemon.store.migrations import refuse_foreign_or_newer, show_as_newest, version_of
from daemon.store.packing import Columns
from rules.terms.events import Batch
from rules.terms.quantities import Quantity

FAR_MS = 253_402_300_799_000
"""The end of the year 9999."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Stored readings in columns; `series[series_index[i]]` names the probe and quantity of row i."""

    series: tuple[tuple[str, Quantity], ...]
    series_index: NDArray[np.int32]
    taken_ms: NDArray[np.int64]
    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class QuarterHours:
    """Old readings of one series, by quarter of an hour of the instant of measurement."""

    begin_ms: NDArray[np.int64]
    count: NDArray[np.int64]
    minimum: NDArray[np.float64]
    mean: NDArray[np.float64]
    maximum: NDArray[np.float64]


def is_there(path: Path) -> bool:
    """Return whether there is a store; raises HistoryError where this user may not even look, or for a pipe or device.

    It looks and does not open: closing any handle of the file would let go of the locks that this process holds on it.
    """
    try:
        kind = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise HistoryError(f"{path}: {error.strerror}; {TO_BE_LET_IN}") from error
    if stat.S_ISFIFO(kind) or stat.S_ISCHR(kind) or stat.S_ISSOCK(kind):
        raise HistoryError(f"{path}: it is a pipe or a device, not a store; restart dewlid, it sets it aside")
    return True


class HistoryReader:
    """A read-only connection, for the thread that opened it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        if not is_there(path):
            raise HistoryError(f"{path}: there is no store yet; it is made by `dewlid run`")
        with self.failures_told():
            self.connection = sqlite3.connect(read_only_uri(path), uri=True, isolation_level=None)
        try:
            with self.failures_told():
                self._look()
        except HistoryError:
            self.connection.close()
            raise

    def _look(self) -> None:
        self.connection.text_factory = lenient_text
        self.connection.execute("PRAGMA busy_timeout = 5000")
        refuse_foreign_or_newer(self.connection, self._path)
        if version_of(self.connection) == 0:
            raise HistoryError(f"{self._path}: the store is still empty; it is filled by `dewlid run`")
        show_as_newest(self.connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
        if isinstance(error, sqlite3.Error):
            raise history_error(self._path, "reading the store", error) from error

    def close(self) -> None:
        """Let go of the file."""
        self.connection.close()

    @contextmanager
    def failures_told(self) -> Iterator[None]:
        """Turn what the database library raises inside into a HistoryError."""
        try:
            yield
        except sqlite3.Error as error:
            raise history_error(self._path, "reading the store", error) from error

    def last_state(self) -> tuple[bytes, int] | None:
        """Return the newest state snapshot and the number of the batch up to which it holds."""
        return last_state(self.connection)

    @property
    def seq(self) -> int:
        """Number of the newest stored batch."""
        return int(self.connection.execute("SELECT coalesce(max(seq), 0) FROM batch").fetchone()[0])

    @property
    def newest_ms(self) -> int | None:
        """Up to when the newest stored batch was judged."""
        row = self.connection.execute("SELECT taken_ms FROM batch ORDER BY seq DESC LIMIT 1").fetchone()
        return None if row is None else int(row[0])

    def stream(self, since_ms: int = 0) -> Iterator[Batch]:
        """Yield the stored batches from the first that reaches `since_ms`, as they were taken."""
        yield from self.stream_after(seq_reaching(self.connection, since_ms) - 1)

    def stream_after(self, batch: int) -> Iterator[Batch]:
        """Yield the batches that were stored after this number, as they were taken."""
        yield from (each for _, each in batches(self.connection, batch))

    def series(self) -> tuple[tuple[str, Quantity], ...]:
        """Return every probe and quantity ever stored."""
        return tuple(series_names(self.connection).values())

    def readings(
        self, since_ms: int = 0, until_ms: int = FAR_MS, series: Sequence[tuple[str, Quantity]] | None = None
    ) -> Readings:
        """Return the stored readings taken in [since, until), in stream order; of all series or of those
        given.
        """
        names = series_names(self.connection)
        wanted = [code for code, name in names.items() if series is None or name in series]
        rows = Columns.one([
            part.where((part.taken_ms >= since_ms) & (part.taken_ms < until_ms) & np.isin(part.series, wanted))
            for part in self.single_readings(since_ms, until_ms)
        ])
        position = np.zeros(max(wanted, default=0) + 1, np.int32)
        position[wanted] = np.arange(len(wanted))
        return Readings(tuple(names[code] for code in wanted), position[rows.series], rows.taken_ms, rows.at_ms, rows.value)

    def single_readings(self, since_ms: int, until_ms: int = FAR_MS) -> Iterator[Columns]:
        """Yield what was taken in [since, until) and some more around it, in stream order, some ten thousands at a time."""
        return readings_of(self.connection, seq_reaching(self.connection, since_ms), seq_passing(self.connection, until_ms))

    def span_ms(self) -> tuple[int, int] | None:
        """Return when the first and the last single reading was taken; None: there is none."""
        return span_ms(self.connection)

    def quarter_hours(self, probe: str, quantity: Quantity, since_ms: int = 0, until_ms: int = FAR_MS) -> QuarterHours:
        """Return what was rolled up of one series; newer readings are still single."""
        rows = self.connection.execute(
            """SELECT begin_ms, count, minimum, mean, maximum FROM quarter_hour
               JOIN series ON series.id = quarter_hour.series
               WHERE probe = ? AND quantity = ? AND begin_ms >= ? AND begin_ms < ? ORDER BY begin_ms""",
            (probe, quantity, since_ms, until_ms),
        ).fetchall()
        columns = list(zip(*rows, strict=True)) or [()] * 5
        return QuarterHours(
            np.array(columns[0], np.int64), np.array(columns[1], np.int64),
            *(np.array(column, np.float64) for column in columns[2:]),
        )  # fmt: skip

    def words(self, word: str) -> Iterator[dict[str, Any]]:
        """Yield the keeper's words of one sort as they were taken, oldest first."""
        rows = self.connection.execute(
            "SELECT body FROM item WHERE sort = 'word' AND json_extract(body, '$.word') = ? ORDER BY seq", (word,)
        )
        for (body,) in rows:
            yield json.loads(body)

    def event(self, ident: str) -> dict[str, Any] | None:
        """Return one stored event as it was told; None: there is none of this id."""
        row = self.connection.execute("SELECT body FROM event WHERE id = ?", (ident,)).fetchone()
        return None if row is None else json.loads(row[0])

    def owed(self, outlet: str, event_id: str, recipient: str) -> str | None:
        """Return why a message that an outlet owes was refused, empty while it waits; None: it owes it no more."""
        row = self.connection.execute(
            "SELECT coalesce(refused, '') FROM owed WHERE outlet = ? AND event_id = ? AND recipient = ?",
            (outlet, event_id, recipient),
        ).fetchone()
        return None if row is None else str(row[0])

    def events(
        self,
        since_ms: int = 0,
        until_ms: int = FAR_MS,
        *,
        kinds: Sequence[str] | None = None,
        chamber: str | None = None,
    ) -> Iterator[dict[str, Any]]:
        """Yield stored events in [since, until) as the JSON objects that were told, in the order in which
        they were told.
        """
        rows = self.connection.execute(
            "SELECT kind, chamber, body FROM event WHERE at_ms >= ? AND at_ms < ? ORDER BY seq",
            (since_ms, until_ms),
        )
        for kind, place, body in rows:
            if (kinds is None or kind in kinds) and (chamber is None or place == chamber):
                yield json.loads(body)
