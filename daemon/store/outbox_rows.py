"""The rows that remember what is owed to the keeper and was not yet taken over.

A row leaves only when its outlet said that the message was taken over. Retained states stand in a table of
their own, one row per topic; they stay, since they are owed anew with every connection.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from adapters.outlets.outlet import Owed, Standing

LIMIT = 5_000
"""Most rows that wait; beyond it the oldest expendable ones go first."""

_INSERT = """
INSERT OR IGNORE INTO owed (outlet, event_id, recipient, kind, ordinal, topic, payload, about, standing,
                            expendable, made_ms, not_before_ms)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"""

_INSERT_RETAINED = """
INSERT OR REPLACE INTO retained (outlet, topic, revision, payload, made_ms, kind)
SELECT ?1, ?2, coalesce((SELECT max(revision) FROM retained), 0) + 1, ?3, ?4, ?5
WHERE NOT EXISTS (SELECT 1 FROM retained WHERE outlet = ?1 AND topic = ?2 AND payload = ?3)"""

_DROPS = (
    "DELETE FROM owed WHERE seq IN (SELECT seq FROM owed WHERE expendable = 1 ORDER BY seq LIMIT ?)",
    # A message of an alarm or thread that ended later, all of which still waits: only its end is news.
    """DELETE FROM owed WHERE seq IN (
         SELECT seq FROM owed WHERE standing <> 'ends' AND about <> '' AND EXISTS (
           SELECT 1 FROM owed AS later WHERE later.outlet = owed.outlet AND later.recipient = owed.recipient
           AND later.about = owed.about AND later.standing = 'ends' AND later.seq > owed.seq)
         ORDER BY seq LIMIT ?)""",
)

_WAITING = """
SELECT seq, outlet, event_id, recipient, kind, ordinal, topic, payload, about, standing, expendable, made_ms,
       not_before_ms
FROM owed WHERE outlet = ? AND refused IS NULL AND seq > ? ORDER BY seq LIMIT ?"""


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one row of the outbox."""

    row: int
    outcome: Literal["taken", "refused"]
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A row of the outbox; for a retained state `row` is its revision."""

    row: int
    owed: Owed


def put(connection: sqlite3.Connection, owed: Sequence[Owed], limit: int) -> int:
    """Write what is owed, inside the caller's transaction; returns how many rows were dropped to stay
    bounded.
    """
    rows = [_row(each) for each in owed if not each.retained]
    connection.executemany(_INSERT, rows)
    for each in owed:
        if each.retained:
            values = (each.outlet, each.topic, each.payload, each.made_ms, each.kind)
            connection.execute(_INSERT_RETAINED, values)
    return _bound(connection, limit) if rows else 0


def _row(owed: Owed) -> tuple[object, ...]:
    identity = (owed.outlet, owed.event_id, owed.recipient, owed.kind, owed.ordinal, owed.topic, owed.payload)
    return *identity, owed.about, owed.standing, int(owed.expendable), owed.made_ms, owed.not_before_ms


def _bound(connection: sqlite3.Connection, limit: int) -> int:
    count = int(connection.execute("SELECT count(*) FROM owed").fetchone()[0])
    dropped = 0
    for statement in _DROPS:
        if count - dropped > limit:
            dropped += connection.execute(statement, (count - dropped - limit,)).rowcount
    return dropped


def settle(connection: sqlite3.Connection, receipts: Iterable[Receipt]) -> None:
    """Note receipts, inside the caller's transaction."""
    for receipt in receipts:
        if receipt.outcome == "taken":
            connection.execute("DELETE FROM owed WHERE seq = ?", (receipt.row,))
        else:
            connection.execute("UPDATE owed SET refused = ? WHERE seq = ?", (receipt.detail or "refused", receipt.row))


def reopen_refused(connection: sqlite3.Connection, younger_than_ms: int) -> None:
    """Let refused rows be tried again, and drop those that are older."""
    connection.execute("DELETE FROM owed WHERE refused IS NOT NULL AND made_ms < ?", (younger_than_ms,))
    connection.execute("UPDATE owed SET refused = NULL WHERE refused IS NOT NULL")


def keep_outlets(connection: sqlite3.Connection, known: Iterable[str]) -> int:
    """Drop the rows of outlets that are not `known`; returns how many messages that were."""
    names = {row[0] for row in connection.execute("SELECT outlet FROM owed UNION SELECT outlet FROM retained")}
    dropped = 0
    for name in names - set(known):
        dropped += connection.execute("DELETE FROM owed WHERE outlet = ?", (name,)).rowcount
        connection.execute("DELETE FROM retained WHERE outlet = ?", (name,))
    return dropped


# ---------------------------------------------------------------- reading


def waiting(connection: sqlite3.Connection, outlet: str, most: int = 200, after: int = 0) -> list[Waiting]:
    """Return the oldest rows that this outlet owes and that were not refused."""
    return [Waiting(row[0], _owed(*row[1:])) for row in connection.execute(_WAITING, (outlet, after, most))]


def _owed(  # one parameter per column, in their order
    outlet: str, event_id: str, recipient: str, kind: str, ordinal: int, topic: str, payload: str, about: str,
    standing: Standing, expendable: int, made_ms: int, not_before_ms: int,
) -> Owed:  # fmt: skip
    return Owed(
        outlet=outlet, event_id=event_id, recipient=recipient, kind=kind, ordinal=ordinal, topic=topic,
        payload=payload, about=about, standing=standing, expendable=bool(expendable), made_ms=made_ms,
        not_before_ms=not_before_ms,
    )  # fmt: skip


def retained(connection: sqlite3.Connection, outlet: str) -> list[Waiting]:
    """Return the retained states of an outlet, each with its revision."""
    rows = connection.execute(
        "SELECT revision, topic, payload, made_ms, kind FROM retained WHERE outlet = ? ORDER BY revision",
        (outlet,),
    )
    return [Waiting(revision, _state(outlet, *state)) for revision, *state in rows]


def _state(outlet: str, topic: str, payload: str, made_ms: int, kind: str) -> Owed:
    return Owed(outlet=outlet, event_id="", kind=kind, topic=topic, payload=payload, made_ms=made_ms, retained=True)


def counts(connection: sqlite3.Connection) -> dict[str, tuple[int, int, int | None]]:
    """Return for each outlet: messages that wait, messages refused, when the oldest waiting one was made."""
    rows = connection.execute(
        """SELECT outlet, sum(refused IS NULL), sum(refused IS NOT NULL),
                  min(CASE WHEN refused IS NULL THEN made_ms END)
           FROM owed GROUP BY outlet"""
    )
    return {outlet: (int(waits), int(refused), oldest) for outlet, waits, refused, oldest in rows}
