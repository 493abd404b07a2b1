"""A clock that the test turns by hand."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class HandClock:
    """A wall clock and a time since boot, ms."""

    wall: int
    boot: int = 1_000

    def wall_ms(self) -> int:
        return self.wall

    def boot_ms(self) -> int:
        return self.boot

    def pass_ms(self, duration_ms: int) -> None:
        self.wall += duration_ms
        self.boot += duration_ms
