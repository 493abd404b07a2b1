"""Brings the calendar file of the care plan up to date."""

from __future__ import annotations

from pathlib import Path

from adapters.calendar_file import write_calendar
from rules.care import plan
from rules.care_state import CareState
from rules.events import DAY_MS
from rules.settings import Watch

DAYS_AHEAD = 90


def refresh(path: Path, watch: Watch, care: CareState, now_ms: int, days: int = DAYS_AHEAD) -> tuple[int, bool]:
    """Write the plan of the next days and return its number of entries and whether the file changed.

    Raises CalendarRefused for a file that is not ours or cannot be written.
    """
    ahead = plan(watch, care, now_ms + days * DAY_MS)
    return len(ahead), write_calendar(path, watch.site.name, ahead, care.away, now_ms)
