"""Quarter-hour means of the older past: what the store has rolled up, and older single readings folded alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.store.batch_rows import series_names
from daemon.store.quarter_hours import QUARTER_HOUR_MS, Folded, folded, quarters_of
from daemon.store.reader import HistoryReader
from rules.terms.quantities import Quantity

_ROLLED_UP = """
SELECT series, begin_ms, count, minimum, mean, maximum FROM quarter_hour WHERE begin_ms >= ?1 AND begin_ms < ?2"""


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
    names = {code: name for code, name in series_names(reader.connection).items() if name in holds_ms}
    rolled_up = [row for row in reader.connection.execute(_ROLLED_UP, (since_ms, until_ms)) if row[0] in names]
    parts: list[Folded] = [tuple(np.array(rolled_up, np.float64).reshape(-1, 6).T)]
    end_ms = min(raw_from_ms, until_ms)
    for some in reader.single_readings(since_ms) if since_ms < end_ms else ():
        mine = np.isin(some.series, list(names)) & (some.at_ms >= since_ms) & (some.at_ms < end_ms)
        parts += [quarters_of(some.where(mine))]
    series, begins_ms, _, *figures = folded(parts)
    if not len(series):
        return Quarters(np.empty(0, np.int64), np.empty(0, np.int64), {})
    number = begins_ms.astype(np.int64) // QUARTER_HOUR_MS
    last_ms = min(until_ms, (int(number.max()) + 1) * QUARTER_HOUR_MS + max(holds_ms.values()))
    begin_ms = np.arange(number.min() * QUARTER_HOUR_MS, last_ms, QUARTER_HOUR_MS, dtype=np.int64)
    found: dict[tuple[str, Quantity], NDArray[np.float64]] = {}
    for code in np.unique(series).astype(int).tolist():
        mine = series == code
        column = np.full((3, len(begin_ms)), np.nan)
        column[:, number[mine] - number.min()] = [figure[mine] for figure in figures]
        found[names[code]] = _held(column, -(-holds_ms[names[code]] // QUARTER_HOUR_MS))
    return Quarters(begin_ms, np.minimum(begin_ms + QUARTER_HOUR_MS, until_ms) - begin_ms, found)


def _held(column: NDArray[np.float64], quarters_long: int) -> NDArray[np.float64]:
    """Return the column in which each figure stands for so many quarter-hours, its own among them, or until the next."""
    number = np.arange(column.shape[1])
    heard = np.maximum.accumulate(np.where(np.isnan(column[1]), -quarters_long, number))
    return np.where(number - heard < quarters_long, column[:, np.maximum(heard, 0)], np.nan)
