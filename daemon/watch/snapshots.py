"""When the state after the stream is stored: seldom in quiet times, soon after something was told, never in its way.

A restart works the state out anew from the last snapshot and what was recorded after it, so a snapshot only makes it quick.
"""

from __future__ import annotations

from rules.terms.events import MINUTE_MS, SECOND_MS

QUIET_MS, QUIET_READINGS = 5 * MINUTE_MS, 3_000
"""How much of a quiet stream a restart has to go through again at most, whichever is more: a second's work or so."""
LONGEST_MS = 30 * MINUTE_MS
"""However few readings come."""
SOON_MS = 2 * SECOND_MS
"""So soon one follows a slice with events: of a hundred chambers it takes as long as judging them, and an alarm would wait."""


class Snapshots:
    """Knows what was recorded since the last one."""

    def __init__(self) -> None:
        self._newest_ms = self._readings = 0
        self._told_ms: int | None = None

    def due(self, now_ms: int, readings: int) -> bool:
        """Return whether one is due with so many readings more."""
        if self._told_ms is not None and not 0 <= now_ms - self._told_ms < SOON_MS:
            return True
        few = self._readings + readings < QUIET_READINGS
        return not 0 <= now_ms - self._newest_ms < (LONGEST_MS if few else QUIET_MS)

    def recorded(self, now_ms: int, readings: int, urgent: bool, snapshot: bool) -> None:
        """Note what was recorded: whether it was more than readings, and with a snapshot."""
        if snapshot:
            self._newest_ms, self._readings, self._told_ms = now_ms, 0, None
            return
        self._readings += readings
        if urgent and self._told_ms is None:
            self._told_ms = now_ms

    def next_ms(self) -> int | None:
        """Return when one is due after what was told; None: nothing was."""
        return None if self._told_ms is None else self._told_ms + SOON_MS
