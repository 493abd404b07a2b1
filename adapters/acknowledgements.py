"""Which published messages wait for the broker's answer, and what became of them."""

from __future__ import annotations

import threading
import time
from collections import deque
from concurrent.futures import Future
from typing import Any

from adapters.errors import OutletRefused, OutletUnreachable


class Acknowledgements:
    """Tracks messages by their packet number (`mid`). Every promise ends: acknowledged, refused or lost.

    `answered` is called while the MQTT library holds a lock of its own, so it only notes; `settle`, called by the session's
    thread after each turn, does the rest. A publisher holds `lock` from handing over a message until it is noted here.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self.lock = threading.Lock()
        self._waiting: dict[int, tuple[Future[None], float]] = {}
        self._answers: deque[tuple[int, Any]] = deque()

    def __len__(self) -> int:
        return len(self._waiting)

    def wait_for(self, mid: int, promise: Future[None]) -> None:
        """Note a message that was handed over; `lock` must be held."""
        self._waiting[mid] = (promise, time.monotonic())

    def answered(self, mid: int, reason: Any) -> None:
        """Note the broker's answer."""
        self._answers.append((mid, reason))

    def settle(self) -> None:
        """End the promises of all messages that were answered."""
        done: list[tuple[Future[None], Any]] = []
        with self.lock:
            while self._answers:
                mid, reason = self._answers.popleft()
                waiting = self._waiting.pop(mid, None)
                if waiting is not None:
                    done.append((waiting[0], reason))
        for promise, reason in done:
            if reason.is_failure:
                promise.set_exception(OutletRefused(f"{self._name} refused the message: {reason}"))
            else:
                promise.set_result(None)

    def lose(self, why: str) -> None:
        """End the promises of all messages that were not answered: the connection is over."""
        self.settle()
        with self.lock:
            lost = [promise for promise, _ in self._waiting.values()]
            self._waiting.clear()
        for promise in lost:
            promise.set_exception(OutletUnreachable(f"{self._name}: not acknowledged; {why}"))

    def oldest_s(self) -> float:
        """Return how long the oldest message has waited, s."""
        with self.lock:
            return max((time.monotonic() - since_s for _, since_s in self._waiting.values()), default=0.0)
