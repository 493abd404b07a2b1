"""The tables of the store, built up by ordered steps. The number of steps taken stands in the file
(`user_version`).

A step is never edited once released: a change of the tables is a new step at the end. Each step runs in
one transaction together with its number, so a kill leaves the old tables or the new ones, never half.
Before a store that holds something is changed, a verified backup is made.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from daemon.store.errors import HistoryError

APPLICATION_ID = 0x64776C64
"""Marks the file as ours (SQLite `application_id`): "dwld"."""


@dataclass(frozen=True, slots=True)
class Step:
    """One change of the tables."""

    name: str
    statements: tuple[str, ...]
    shown: tuple[str, ...] = ()
    """What lets a reader, who may not change the file, see one without this step as if it had been taken."""


_FIRST = (
    "CREATE TABLE series (id INTEGER PRIMARY KEY, probe TEXT NOT NULL, quantity TEXT NOT NULL,"
    " UNIQUE (probe, quantity)) STRICT",
    # `last_reading` is the last row of `reading` that belongs to this batch or an earlier one.
    """CREATE TABLE batch (seq INTEGER PRIMARY KEY, taken_ms INTEGER NOT NULL, readings INTEGER NOT NULL,
       last_reading INTEGER NOT NULL, items INTEGER NOT NULL, clock_step_ms INTEGER NOT NULL) STRICT""",
    # `value` is NULL for a reading that is not a number.
    """CREATE TABLE reading (seq INTEGER PRIMARY KEY, taken_ms INTEGER NOT NULL, at_ms INTEGER NOT NULL,
       series INTEGER NOT NULL REFERENCES series, value REAL) STRICT""",
    """CREATE TABLE item (seq INTEGER PRIMARY KEY, batch INTEGER NOT NULL, taken_ms INTEGER NOT NULL,
       sort TEXT NOT NULL, body TEXT NOT NULL) STRICT""",
    "CREATE INDEX item_of_batch ON item (batch)",
    """CREATE TABLE event (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, at_ms INTEGER NOT NULL, kind
    TEXT NOT NULL, chamber TEXT, body TEXT NOT NULL) STRICT""",
    "CREATE INDEX event_at ON event (at_ms)",
    """CREATE TABLE state (only INTEGER PRIMARY KEY CHECK (only = 1), seq INTEGER NOT NULL, body BLOB NOT
    NULL) STRICT""",
    """CREATE TABLE quarter_hour (series INTEGER NOT NULL REFERENCES series, begin_ms INTEGER NOT NULL,
    count INTEGER NOT NULL, minimum REAL NOT NULL, mean REAL NOT NULL, maximum REAL NOT NULL, PRIMARY KEY
    (series, begin_ms)) STRICT, WITHOUT ROWID""",
    # Row numbers are never used again (AUTOINCREMENT): a receipt for a row must never meet another one.
    """CREATE TABLE owed (seq INTEGER PRIMARY KEY AUTOINCREMENT, outlet TEXT NOT NULL, event_id TEXT NOT NULL, recipient
    TEXT NOT NULL, kind TEXT NOT NULL, ordinal INTEGER NOT NULL, topic TEXT NOT NULL, payload TEXT NOT
    NULL, about TEXT NOT NULL, standing TEXT NOT NULL, expendable INTEGER NOT NULL, made_ms INTEGER NOT
    NULL, not_before_ms INTEGER NOT NULL, refused TEXT, UNIQUE (outlet, event_id, recipient)) STRICT""",
    """CREATE TABLE retained (outlet TEXT NOT NULL, topic TEXT NOT NULL, revision INTEGER NOT NULL,
    payload TEXT NOT NULL, made_ms INTEGER NOT NULL, kind TEXT NOT NULL, PRIMARY KEY (outlet, topic))
    STRICT, WITHOUT ROWID""",
)

# `packed` holds the readings of a batch (`packing.py`). Those of before stay in the rows of `reading` until they are rolled
# up: nobody waits for gigabytes to be rewritten.
_PACKED = (
    "ALTER TABLE batch ADD COLUMN packed BLOB",
    "CREATE INDEX batch_stepped ON batch (seq) WHERE clock_step_ms <> 0",
)
_UNPACKED = ("CREATE TEMP VIEW batch AS SELECT *, NULL AS packed FROM main.batch",)

STEPS: tuple[Step, ...] = (Step("first tables", _FIRST), Step("readings packed", _PACKED, _UNPACKED))


def version_of(connection: sqlite3.Connection) -> int:
    """Return how many steps this store has taken; 0 for an empty file."""
    row = connection.execute("PRAGMA user_version").fetchone()
    return int(row[0])


def refuse_foreign_or_newer(connection: sqlite3.Connection, path: Path, steps: Sequence[Step] = STEPS) -> None:
    """Raise HistoryError for a database of another program or of a newer dewlid; the file is left
    untouched."""
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if mark != APPLICATION_ID and (mark or tables):
        raise HistoryError(f"{path}: this is a database of another program; give dewlid a file of its own")
    version = version_of(connection)
    if version > len(steps):
        raise HistoryError(
            f"{path}: the store was written by a newer dewlid (its tables have version {version}, this"
            f" program knows up to {len(steps)}); it was left untouched. Install the newer dewlid again, or restore a"
            " backup that was made before the upgrade (they stand beside the store, named `before-version-…`)"
        )


def migrate(connection: sqlite3.Connection, back_up_first: Callable[[int], object], steps: Sequence[Step] = STEPS) -> int:
    """Take the steps that are missing and return how many; `back_up_first(version)` is called when there
    is something to lose."""
    begin = version_of(connection)
    if 0 < begin < len(steps):
        back_up_first(begin)
    for number, step in enumerate(steps[begin:], begin + 1):
        _take(connection, number, step)
    return len(steps) - begin


def show_as_newest(connection: sqlite3.Connection) -> None:
    """Let a reader see the tables of an older store as those of the newest."""
    for step in STEPS[version_of(connection) :]:
        for statement in step.shown:
            connection.execute(statement)


def _take(connection: sqlite3.Connection, number: int, step: Step) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        for statement in step.statements:
            connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID:d}")
        connection.execute(f"PRAGMA user_version = {number:d}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
