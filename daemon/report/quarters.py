"""Quarter-hour means of the older past: what the store has rolled up, and older single readings folded alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.store.batch_rows import series_names
from daemon.store.reader import HistoryReader
from daemon.store.retention import QUARTER_HOUR_MS
from rules.terms.quantities import Quantity

# `seq` bounds let SQLite walk the table in its own order; the instant of measurement decides.
_FOLDED = """
SELECT series, at_ms / 900000 * 900000 AS begin_ms, min(value), avg(value), max(value) FROM reading
WHERE at_ms >= ?1 AND at_ms < ?2 AND value IS NOT NULL GROUP BY series, begin_ms"""
_ROLLED_UP = """
SELECT series, begin_ms, minimum, mean, maximum FROM quarter_hour WHERE begin_ms >= ?1 AND begin_ms < ?2"""


@dataclass(frozen=True, slots=True)
class Quarters:
    """Every quarter-hour from the first word to the end of the last; per series three rows: least, mean, most, NaN where
    nothing was said lately."""

    begin_ms: NDArray[np.int64]
    long_ms: NDArray[np.int64]
    """How long each is: the last one ends where single readings begin."""
    of: dict[tuple[str, Quantity], NDArray[np.float64]]


def quarters(
    reader: HistoryReader, holds_ms: Mapping[tuple[str, Quantity], int], since_ms: int, until_ms: int, raw_from_ms: int
) -> Quarters:
    """Return the quarter-hours of [since, until); single readings are folded where they lie before `raw_from_ms`.

    `holds_ms`: the series that are wanted, and how long the last word of each holds: so long a quarter-hour in which it said
    nothing has the figures of the one before. A word from before `since_ms` counts too.
    """
    since_ms = (since_ms - max(holds_ms.values(), default=0)) // QUARTER_HOUR_MS * QUARTER_HOUR_MS
    with reader.failures_told():
        names = series_names(reader.connection)
        rows = reader.connection.execute(_ROLLED_UP, (since_ms, until_ms)).fetchall()
        if since_ms < raw_from_ms:
            rows += reader.connection.execute(_FOLDED, (since_ms, min(raw_from_ms, until_ms))).fetchall()
    rows = [row for row in rows if names.get(row[0]) in holds_ms]
    if not rows:
        return Quarters(np.empty(0, np.int64), np.empty(0, np.int64), {})
    table = np.array(rows, np.float64)
    number = table[:, 1].astype(np.int64) // QUARTER_HOUR_MS
    last_ms = min(until_ms, (int(number.max()) + 1) * QUARTER_HOUR_MS + max(holds_ms.values()))
    begin_ms = np.arange(number.min() * QUARTER_HOUR_MS, last_ms, QUARTER_HOUR_MS, dtype=np.int64)
    found: dict[tuple[str, Quantity], NDArray[np.float64]] = {}
    for code in np.unique(table[:, 0]).astype(int).tolist():
        mine = table[:, 0] == code
        column = np.full((3, len(begin_ms)), np.nan)
        column[:, number[mine] - number.min()] = table[mine, 2:].T
        found[names[code]] = _held(column, -(-holds_ms[names[code]] // QUARTER_HOUR_MS))
    return Quarters(begin_ms, np.minimum(begin_ms + QUARTER_HOUR_MS, until_ms) - begin_ms, found)


def _held(column: NDArray[np.float64], quarters_long: int) -> NDArray[np.float64]:
    """Return the column in which each figure stands for so many quarter-hours, its own among them, or until the next."""
    number = np.arange(column.shape[1])
    heard = np.maximum.accumulate(np.where(np.isnan(column[1]), -quarters_long, number))
    return np.where(number - heard < quarters_long, column[:, np.maximum(heard, 0)], np.nan)
