"""Quarter-hour means of the older past: what the store has rolled up, and older single readings folded alike."""

from __future__ import annotations

from collections.abc import Sequence
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
    """Quarter-hours in which anything was heard; per series three rows: least, mean, most, NaN where it was silent."""

    begin_ms: NDArray[np.int64]
    of: dict[tuple[str, Quantity], NDArray[np.float64]]


def quarters(
    reader: HistoryReader, wanted: Sequence[tuple[str, Quantity]], since_ms: int, until_ms: int, raw_from_ms: int
) -> Quarters:
    """Return the quarter-hours of [since, until); single readings are folded where they lie before `raw_from_ms`."""
    with reader.failures_told():
        names = series_names(reader.connection)
        rows = reader.connection.execute(_ROLLED_UP, (since_ms, until_ms)).fetchall()
        if since_ms < raw_from_ms:
            rows += reader.connection.execute(_FOLDED, (since_ms, min(raw_from_ms, until_ms))).fetchall()
    if not rows:
        return Quarters(np.empty(0, np.int64), {})
    table = np.array(rows, np.float64)
    begin_ms = np.unique(table[:, 1].astype(np.int64) // QUARTER_HOUR_MS) * QUARTER_HOUR_MS
    found: dict[tuple[str, Quantity], NDArray[np.float64]] = {}
    for code in np.unique(table[:, 0]).astype(int).tolist():
        if names.get(code) in wanted:
            mine = table[table[:, 0] == code]
            column = np.full((3, len(begin_ms)), np.nan)
            column[:, np.searchsorted(begin_ms, mine[:, 1].astype(np.int64))] = mine[:, 2:].T
            found[names[code]] = column
    return Quarters(begin_ms, found)
