"""Local time for whole arrays of instants; the zone is handed in, so nothing here reads a clock or a file."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, tzinfo
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rules.terms.events import DAY_MS, HOUR_MS

QUARTER_MS = HOUR_MS // 4  # all present time zones change their offset on a quarter of an hour, by definition


def offset_ms(zone: tzinfo, at_ms: int) -> int:
    """Return how far local time is ahead of UTC at an instant, ms."""
    offset = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * 1000)


def local_ms(zone: tzinfo, at_ms: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return local wall time as milliseconds since the local 1970-01-01, for instants in rising order."""
    if not len(at_ms):
        return at_ms
    first, last = offset_ms(zone, int(at_ms[0])), offset_ms(zone, int(at_ms[-1]))
    if at_ms[-1] - at_ms[0] >= 20 * DAY_MS:  # an offset may change and come back
        half = len(at_ms) // 2
        return np.concatenate((local_ms(zone, at_ms[:half]), local_ms(zone, at_ms[half:])))
    if first == last:
        return at_ms + first
    quarters, back = np.unique(at_ms // QUARTER_MS, return_inverse=True)
    offsets = np.array([offset_ms(zone, int(quarter) * QUARTER_MS) for quarter in quarters], np.int64)
    return at_ms + offsets[back]


_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
Hemisphere = Literal["north", "south"]
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def northern_month(month: int, hemisphere: Hemisphere) -> int:
    """Return the month of the north with the season that this month has here."""
    return month if hemisphere == "north" else (month + 5) % 12 + 1


def local_day(at_ms: int, zone: tzinfo) -> date:
    """Return the local day that an instant belongs to."""
    return datetime.fromtimestamp(at_ms / 1000, zone).date()


def instant_ms(day: date, at: time, zone: tzinfo) -> int:
    """Return the instant of a local time; a time that the clocks skip is taken as if they had not yet been put forward."""
    return round(datetime.combine(day, at, zone).timestamp() * 1000)


def day_words(at_ms: int, zone: tzinfo) -> str:
    """Return the local day in words, such as `Tue 29 Feb 2028`."""
    day = local_day(at_ms, zone)
    return f"{_DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1][:3]} {day.year}"


def time_words(at_ms: int, zone: tzinfo) -> str:
    """Return the local day and time in words, such as `Tue 29 Feb 2028 07:00`."""
    return f"{day_words(at_ms, zone)} {datetime.fromtimestamp(at_ms / 1000, zone):%H:%M}"
