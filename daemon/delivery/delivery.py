"""Drains the outbox: one thread per outlet reads what it owes, hands it over, and reports what became of it.

The threads only read the store. What was taken over or refused goes back as a Receipt, which the engine's thread notes with
`History.settle`; until then the thread remembers it, so that nothing is sent twice while the engine is busy. A kill between
the two sends one message again, under its old id. However long an outlet hangs, it holds up nobody but itself.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from adapters.outlets.outlet import Outlet, Owed
from daemon.delivery.owed import Notice, Receipt
from daemon.delivery.schedule import Pace
from daemon.delivery.worker import OutletHealth, Worker

UNANSWERED_S = 60.0
"""A heartbeat may wait so long behind other messages."""

_T = TypeVar("_T")


class Delivery:
    """All outlets' threads. `receipts` and `notices` are for the engine's thread; `wake` after each commit."""

    def __init__(
        self,
        outlets: Mapping[str, Outlet],
        store: Path,
        wall_ms: Callable[[], int],
        *,
        pace: Pace | None = None,
    ) -> None:
        self._receipts: queue.SimpleQueue[Receipt] = queue.SimpleQueue()
        self._notices: queue.SimpleQueue[Notice] = queue.SimpleQueue()
        self._workers = {
            name: Worker(name, outlet, store, wall_ms, self._receipts.put, self._notices.put, pace or Pace())
            for name, outlet in outlets.items()
        }

    def start(self) -> None:
        """Begin to deliver what waits."""
        for worker in self._workers.values():
            worker.start()

    def wake(self) -> None:
        """Have the threads look for new messages now."""
        for worker in self._workers.values():
            worker.wake()

    def show(self, states: Collection[Owed]) -> None:
        """Hand over retained states past the store, which need not hold each of them, and wake the threads."""
        for name, worker in self._workers.items():
            worker.show([each for each in states if each.outlet == name])

    def offer(self, owed: Sequence[Owed]) -> None:
        """Hand over messages past the store, when it cannot be written: they live only as long as the process."""
        for name, worker in self._workers.items():
            worker.offer([each for each in owed if each.outlet == name])

    def receipts(self) -> list[Receipt]:
        """Take what became of messages since the last call: to be noted with `History.settle`."""
        return _drained(self._receipts)

    def notices(self) -> list[Notice]:
        """Take the outlets' troubles since the last call: to be told with `outbox.notice_events`."""
        for worker in self._workers.values():
            worker.tell_if_hanging()
        return _drained(self._notices)

    def health(self) -> dict[str, OutletHealth]:
        """Return how each outlet does."""
        return {name: worker.health for name, worker in self._workers.items()}

    def beat(self, payload: str, now_ms: int) -> None:
        """Have the outlets that have one send their heartbeat, past the store: it is news only while it is fresh."""
        for worker in self._workers.values():
            worker.beat(payload, now_ms)

    def overdue_s(self) -> dict[str, float]:
        """Return how long each outlet's thread should have turned already, or its heartbeat been acknowledged; 0: all is well.

        An outlet that cannot be reached is well in this sense: no restart would repair it.
        """
        return {
            name: max(worker.pulse.overdue_s, worker.unanswered_s - UNANSWERED_S) for name, worker in self._workers.items()
        }

    def stop(self, timeout_s: float = 2.0) -> bool:
        """End the threads; what was not acknowledged stays owed. False if one still hangs (it is a daemon thread)."""
        for worker in self._workers.values():
            worker.end()
        deadline_s = time.monotonic() + timeout_s
        ended = [worker.join(max(0.0, deadline_s - time.monotonic())) for worker in self._workers.values()]
        return all(ended)


def _drained(source: queue.SimpleQueue[_T]) -> list[_T]:
    found = []
    while True:
        try:
            found.append(source.get_nowait())
        except queue.Empty:
            return found
