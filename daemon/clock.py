"""The only place that knows the time: wall clock, time since boot, and steps of one against the other."""

from __future__ import annotations

import os
import threading
import time
import zoneinfo
from pathlib import Path
from typing import Protocol

STEP_MS = 2_000
"""A wall clock that parts this far from the time since boot was set, not slewed (common practice)."""
_COHERENT_MS = 100


class Clock(Protocol):
    """What a clock can be asked; tests hand in one that they turn themselves."""

    def wall_ms(self) -> int:
        """Return the wall clock, milliseconds since 1970 UTC."""

    def boot_ms(self) -> int:
        """Return the milliseconds since boot: never set, and it runs on while the machine sleeps."""


class SystemClock:
    """This machine's clocks."""

    def wall_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def boot_ms(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


class StreamClock:
    """The time that orders the stream: follows the wall clock, never runs back, jumps only when told to.

    When the wall clock is set, the stream goes on at the pace of the time since boot until the engine takes
    the step over with `adopt`, between two batches. So all that entered before and after stands in one
    consistent time base. Safe to use from any thread.
    """

    def __init__(self, clock: Clock, not_before_ms: int | None = None) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        wall_ms, boot_ms = self._look()
        # A clock before the newest record (no battery, no network time yet): go on from the record.
        self._last_ms = wall_ms if not_before_ms is None else max(wall_ms, not_before_ms)
        self._offset_ms = self._last_ms - boot_ms

    def now_ms(self) -> int:
        """Return the stream's present."""
        with self._lock:
            return self._now_ms(*self._look())

    def step_ms(self) -> int:
        """Return how far the wall clock stands from the stream after it was set; 0: it was not."""
        with self._lock:
            return self._step_ms(*self._look())

    def in_stream_ms(self, wall_ms: int) -> int:
        """Return the stream's instant of a wall clock instant."""
        return wall_ms - self.step_ms()

    def adopt(self) -> int:
        """Let the stream follow the wall clock again and return by how much it jumped (0: no step)."""
        with self._lock:
            wall_ms, boot_ms = self._look()
            now_ms, step_ms = self._now_ms(wall_ms, boot_ms), self._step_ms(wall_ms, boot_ms)
            if step_ms:
                self._offset_ms += step_ms
                self._last_ms = now_ms + step_ms
            return step_ms

    def _look(self) -> tuple[int, int]:
        while True:
            before_ms, wall_ms, boot_ms = self._clock.boot_ms(), self._clock.wall_ms(), self._clock.boot_ms()
            if boot_ms - before_ms < _COHERENT_MS:  # else the process was stopped in between: no pair
                return wall_ms, boot_ms

    def _step_ms(self, wall_ms: int, boot_ms: int) -> int:
        difference_ms = wall_ms - boot_ms - self._offset_ms
        return difference_ms if abs(difference_ms) > STEP_MS else 0

    def _now_ms(self, wall_ms: int, boot_ms: int) -> int:
        offset_ms = wall_ms - boot_ms
        if -STEP_MS <= offset_ms - self._offset_ms <= STEP_MS:
            self._offset_ms = offset_ms  # follow a slewed clock
        now_ms = boot_ms + self._offset_ms
        if now_ms > self._last_ms:
            self._last_ms = now_ms
        return self._last_ms


def local_zone(localtime: Path = Path("/etc/localtime")) -> str:
    """Return the IANA name of this machine's time zone, or UTC."""
    place = str(localtime.resolve()) if localtime.exists() else ""
    name = os.environ.get("TZ") or place.partition("zoneinfo/")[2]
    return name if name in zoneinfo.available_timezones() else "UTC"
