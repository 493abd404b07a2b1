"""Turns old readings into 15-minute minima, means and maxima, so that years fit on a small disk."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

from rules.terms.events import DAY_MS, MINUTE_MS

QUARTER_HOUR_MS = 15 * MINUTE_MS
SHORTEST_MS = 2 * DAY_MS
"""However little room there is, the single readings of two days stay: models and charts are made from them."""
COPIES = 7
"""The store, its five newest backups, and the one that is being made."""
_LEFT_FREE = 0.1

# The last batch that may go: taken before the cut, not the newest (it carries the running numbers), not
# after the last state (a restart needs the rest).
_LAST_BATCH = """
SELECT min(coalesce((SELECT seq FROM state), 0), coalesce((SELECT max(seq) FROM batch), 0) - 1,
           coalesce((SELECT min(seq) FROM batch WHERE taken_ms >= ?) - 1, 9223372036854775807))"""

_FOLD = """
INSERT INTO quarter_hour
SELECT series, at_ms / 900000 * 900000 AS begin_ms, count(value), min(value), avg(value), max(value)
FROM reading WHERE seq <= ? AND value IS NOT NULL GROUP BY series, begin_ms
ON CONFLICT DO UPDATE SET
  mean = (mean * count + excluded.mean * excluded.count) / (count + excluded.count),
  minimum = min(minimum, excluded.minimum), maximum = max(maximum, excluded.maximum),
  count = count + excluded.count"""

# What the keeper said stays for ever, and so do clock steps; of the batches that only held readings nothing
# is left.
_DROP = (
    """DELETE FROM item WHERE sort <> 'word'
       AND batch IN (SELECT seq FROM batch WHERE seq <= ?1 AND last_reading <= ?2)""",
    """DELETE FROM batch WHERE seq <= ?1 AND last_reading <= ?2 AND clock_step_ms = 0
       AND seq NOT IN (SELECT batch FROM item)""",
    "UPDATE batch SET readings = 0 WHERE seq <= ?1 AND last_reading <= ?2 AND readings > 0",
)


def most_bytes(store: Path, wanted_gb: float | None) -> int:
    """Return how large the store may become: as the config wants it, else what the disk has room for beside its backups."""
    if wanted_gb is not None:
        return round(wanted_gb * 1e9)
    disk = shutil.disk_usage(next(place for place in store.parents if os.access(place, os.F_OK)))
    room = disk.free + taken_bytes(store) - _LEFT_FREE * disk.total
    return max(0, round(room / COPIES))


def taken_bytes(store: Path) -> int:
    """Return what the store and its backups take at present."""
    backups = store.parent / "backups"
    files = (store, *(backups.glob("*.sqlite3") if os.access(backups, os.R_OK | os.X_OK) else ()))
    return sum(path.stat().st_size for path in files if os.access(path, os.F_OK))


def used_bytes(connection: sqlite3.Connection) -> int:
    """Return how much of the file holds something; a file never shrinks, what is free in it is used again."""
    pages, free, size = (_number(connection, f"PRAGMA {name}") for name in ("page_count", "freelist_count", "page_size"))
    return (pages - free) * size


def oldest_ms(connection: sqlite3.Connection) -> int | None:
    """Return when the oldest single reading was taken."""
    row = connection.execute("SELECT taken_ms FROM reading ORDER BY seq LIMIT 1").fetchone()
    return None if row is None else int(row[0])


def roll_up(connection: sqlite3.Connection, before_ms: int, most: int) -> int:
    """Fold at most `most` readings, inside the caller's transaction; returns how many."""
    last_batch = _number(connection, _LAST_BATCH, before_ms)
    bound = _number(connection, "SELECT max(last_reading) FROM batch WHERE seq <= ?", last_batch)
    first = _number(connection, "SELECT min(seq) FROM reading")
    last = min(bound, first + most - 1)
    connection.execute(_FOLD, (last,))
    count = connection.execute("DELETE FROM reading WHERE seq <= ?", (last,)).rowcount
    for statement in _DROP:
        connection.execute(statement, (last_batch, last))
    return count


def _number(connection: sqlite3.Connection, select: str, *values: int) -> int:
    return int(connection.execute(select, values).fetchone()[0] or 0)
