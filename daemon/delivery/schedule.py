"""When one outlet tries what again: it rests after a failure by its own table, but never from a letter that may wake somebody.

No clock of its own: instants are monotonic seconds that are handed in.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from adapters.outlets.outlet import Owed
from daemon.store.outbox_rows import Waiting

Failure = Literal["down", "barred", "deferred"]
"""The outlet cannot be reached, lets us not in, or takes this one message later."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Times of the delivery, in seconds; tests hurry them."""

    tell_after_s: float = 900.0
    """An outlet that does not work for so long is told by the others."""
    barred_s: float = 3600.0
    """How seldom an outlet is tried that does not let us in."""
    wake_s: float = 60.0
    """How often a letter that may wake somebody is tried, whatever became of it or of others."""
    refusal_told_s: float = 3600.0
    """How seldom refusals of one outlet are told by the others."""
    idle_s: float = 15.0
    """How seldom the outbox is looked into unasked; news, and a connection made anew, come with a `wake`."""
    store_s: float = 5.0
    jitter: float = 0.2
    hurry: float = 1.0
    """Factor on the outlets' own retry times."""


class Schedule:
    """What was tried how often, until when the outlet rests, and what may be tried in spite of it."""

    def __init__(self, retry_s: Sequence[float], pace: Pace) -> None:
        self._table_s, self._pace = retry_s, pace
        self._tries: dict[tuple[int, str, str], tuple[int, float]] = {}
        self._failures = 0
        self.rests_until_s = 0.0

    def due(self, rows: Sequence[Waiting], now_s: float) -> list[Waiting]:
        """Return what may be tried now: letters that may wake somebody first, then what was tried least and is oldest."""
        ready = [row for row in rows if self._from_s(row) <= now_s]
        return sorted(ready, key=lambda row: (not wakes(row.owed), self._tried(row)[0], row.row))

    def next_s(self, rows: Sequence[Waiting], now_s: float) -> float:
        """Return when one of those that may not be tried yet may be; infinite: there is none."""
        return min((from_s for row in rows if (from_s := self._from_s(row)) > now_s), default=float("inf"))

    def worked(self, rows: Sequence[Waiting]) -> None:
        """Note that the outlet has taken or refused these: it rests no longer."""
        self._failures, self.rests_until_s = 0, 0.0
        for row in rows:
            self._tries.pop(_key(row), None)

    def failed(self, rows: Sequence[Waiting], now_s: float, failure: Failure) -> None:
        """Note that these could not be handed over; a try that was made in spite of the rest does not lengthen it."""
        if failure != "deferred" and self.rests_until_s <= now_s:
            self._failures += 1
            self.rests_until_s = now_s + (self._pace.barred_s if failure == "barred" else self._wait_s(self._failures))
        for row in rows:
            count = self._tried(row)[0] + 1
            if wakes(row.owed):
                self._tries[_key(row)] = (count, now_s + self._pace.wake_s)
            elif failure != "barred":  # which is no message's own fault
                self._tries[_key(row)] = (count, max(self.rests_until_s, now_s + self._wait_s(count)))

    def connected(self) -> None:
        """Note a connection made anew: the outlet need not rest."""
        self.rests_until_s = 0.0

    def _from_s(self, row: Waiting) -> float:
        own_s = self._tried(row)[1]
        return own_s if wakes(row.owed) else max(own_s, self.rests_until_s)

    def _tried(self, row: Waiting) -> tuple[int, float]:
        return self._tries.get(_key(row), (0, 0.0))

    def _wait_s(self, failures: int) -> float:
        spread = 1.0 + self._pace.jitter * random.uniform(-1, 1)  # noqa: S311 - not a secret
        return self._table_s[min(failures, len(self._table_s)) - 1] * spread * self._pace.hurry


def wakes(owed: Owed) -> bool:
    """Return whether this is a letter that may wake somebody."""
    return owed.kind == "letter" and _is_urgent(owed.payload)


@lru_cache(maxsize=1000)
def _is_urgent(payload: str) -> bool:
    return json.loads(payload).get("urgent") is True


def _key(row: Waiting) -> tuple[int, str, str]:
    return row.row, row.owed.event_id, row.owed.recipient
