"""Turns old readings into 15-minute minima, means and maxima, so that years fit on a small disk."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

from daemon.store.batch_rows import readings_of, seq_reaching
from daemon.store.quarter_hours import folded, quarters_of
from rules.terms.events import DAY_MS

SHORTEST_MS = 2 * DAY_MS
"""However little room there is, the single readings of two days stay: models and charts are made from them."""
COPIES = 7
"""The store, its five newest backups, and the one that is being made."""
_LEFT_FREE = 0.1

_FOLD = """
INSERT INTO quarter_hour VALUES (?, ?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET
  mean = (mean * count + excluded.mean * excluded.count) / (count + excluded.count),
  minimum = min(minimum, excluded.minimum), maximum = max(maximum, excluded.maximum),
  count = count + excluded.count"""

# What the keeper said stays for ever, and so do clock steps; of the batches that only held readings nothing
# is left.
_DROP = (
    "DELETE FROM reading WHERE seq <= (SELECT last_reading FROM batch WHERE seq = ?)",
    "DELETE FROM item WHERE sort <> 'word' AND batch <= ?",
    "DELETE FROM batch WHERE seq <= ? AND clock_step_ms = 0 AND seq NOT IN (SELECT batch FROM item)",
    "UPDATE batch SET readings = 0, packed = NULL WHERE seq <= ? AND readings > 0",
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


def roll_up(connection: sqlite3.Connection, before_ms: int, most: int) -> int:
    """Fold some `most` readings, whole batches of them, inside the caller's transaction; returns how many."""
    last, count = _last_folded(connection, before_ms, most)
    if last:
        parts = [quarters_of(part) for part in readings_of(connection, 0, last)]
        connection.executemany(_FOLD, zip(*(column.tolist() for column in folded(parts)), strict=True))
        for statement in _DROP:
            connection.execute(statement, (last,))
    return count


def _last_folded(connection: sqlite3.Connection, before_ms: int, most: int) -> tuple[int, int]:
    """Return the last batch that goes, 0 where none does, and how many readings these have.

    It was taken before the cut, is not the newest (which carries the running numbers), nor after the last state (a restart
    needs the rest).
    """
    newest = _number(connection, "SELECT max(seq) FROM batch")
    judged = _number(connection, "SELECT seq FROM state")
    last = min(judged, newest - 1, seq_reaching(connection, before_ms) - 1)
    rows = connection.execute("SELECT seq, readings FROM batch WHERE seq <= ? AND readings > 0 ORDER BY seq", (last,))
    count = 0
    for seq, readings in rows:
        count += readings
        if count >= most:
            return seq, count
    return last, count


def _number(connection: sqlite3.Connection, select: str) -> int:
    row = connection.execute(select).fetchone()
    return int(row[0] or 0) if row else 0
