"""Says whether a thread still turns. Every wait of ours has an end; who misses it is stuck, and only a restart helps."""

from __future__ import annotations

import math
import time

ALLOWANCE_S = 10.0
"""How long a turn may take beyond the wait that it announced."""


class Pulse:
    """Marked by its thread at each turn, looked at by the watchdog."""

    def __init__(self) -> None:
        self._due_s = math.inf

    def mark(self, wait_s: float = 0.0) -> None:
        """Say that the thread turns, and how long it may wait at most until it turns again."""
        self._due_s = time.monotonic() + wait_s + ALLOWANCE_S

    def rest(self) -> None:
        """Say that the thread has ended, or waits for somebody who has no limit."""
        self._due_s = math.inf

    @property
    def overdue_s(self) -> float:
        """How long ago it should have turned, s; 0: it is in time."""
        return max(0.0, time.monotonic() - self._due_s)
