"""Brings the calendar file of the care plan up to date."""

from __future__ import annotations

from pathlib import Path

from adapters.calendar_file import write_calendar
from rules.care.care import plan
from rules.care.state import CareState
from rules.settings import Settings
from rules.terms.events import DAY_MS

DAYS_AHEAD = 90


def refresh(path: Path, settings: Settings, care: CareState, now_ms: int, days: int = DAYS_AHEAD) -> tuple[int, bool]:
    """Write the plan of the next days and return its number of entries and whether the file changed.

    Raises CalendarRefused for a file that is not ours or cannot be written.
    """
    ahead = plan(settings, care, now_ms + days * DAY_MS)
    return len(ahead), write_calendar(path, settings.site.name, ahead, care.away, now_ms)
