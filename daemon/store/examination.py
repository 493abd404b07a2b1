"""Whether a store is whole: at a glance when it is opened, and table by table beside the watching.

A start looks only at what it needs, so that it takes as long at 9 GB as at 9 kB; the rest is looked through while it watches.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from daemon.store.backup import read_only

_HEADER_BYTES = 100


def fault_at_sight(path: Path) -> str | None:
    """Return what is wrong with the file as far as a start can see in no time: its length, its header, what a start reads.

    Raises sqlite3.OperationalError where it is locked, not permitted, or the disk fails: that is no damage.
    """
    cut = _cut_off(path)
    if cut is not None:
        return cut
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if "batch" not in tables:
                return None  # new, foreign or of another version: not ours to judge
            newest = connection.execute("SELECT * FROM batch ORDER BY seq DESC LIMIT 1").fetchone() or ()
            connection.execute("SELECT * FROM reading ORDER BY seq DESC LIMIT 1").fetchall()
            connection.execute("SELECT * FROM event ORDER BY seq DESC LIMIT 1").fetchall()
            connection.execute("SELECT * FROM item ORDER BY seq DESC LIMIT 1").fetchall()
            connection.execute("SELECT * FROM owed ORDER BY seq DESC LIMIT 1").fetchall()
            named = connection.execute("SELECT id, probe, quantity FROM series").fetchall()
            if not all(isinstance(one, int) for one in newest[:6]) or not all(isinstance(row[0], int) for row in named):
                return "its rows make no sense"
            connection.execute("SELECT * FROM state").fetchall()
    except sqlite3.OperationalError:
        raise
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # the second: from the damaged name of a table
        return str(error)
    return None


def _cut_off(path: Path) -> str | None:
    """Return what the length says against the header (SQLite file format, 1.3); a log beside it may hold the rest."""
    size = path.stat().st_size
    log = path.with_name(f"{path.name}-wal")
    if size == 0 or (log.exists() and log.stat().st_size > 0):
        return None
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    if len(header) < _HEADER_BYTES or not header.startswith(b"SQLite format 3\0"):
        return None  # the database library says so better
    page = int.from_bytes(header[16:18], "big")
    page = 65_536 if page == 1 else page
    counted = int.from_bytes(header[28:32], "big") if header[24:28] == header[92:96] else 0
    missing = max(counted * page - size, -size % page if page else 0)
    return f"the file is cut off: {missing} bytes are missing" if missing else None


def examine(path: Path, wanted: Callable[[], bool]) -> str | None:
    """Look through the whole store, table by table, while it is in use; return what is wrong, None: nothing.

    Ends early where it is no longer `wanted`. Raises HistoryError where the file cannot be read for another reason.
    """
    with read_only(path) as connection:
        tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        for table in tables:
            if not wanted():
                return None
            try:
                found = connection.execute("SELECT quick_check FROM pragma_quick_check(?)", (table,)).fetchone()[0]
            except sqlite3.OperationalError:
                if wanted():
                    raise
                return None
            except sqlite3.DatabaseError as error:
                return str(error)
            if found != "ok":
                return str(found)
    return None
