"""Days and times of day as the keeper lives them, whatever the clocks do."""

from __future__ import annotations

from datetime import date, datetime, time, tzinfo

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def local_day(at_ms: int, zone: tzinfo) -> date:
    """Return the local day that an instant belongs to."""
    return datetime.fromtimestamp(at_ms / 1000, zone).date()


def instant_ms(day: date, at: time, zone: tzinfo) -> int:
    """Return the instant of a local time; a time that the clocks skip is taken as if they had not yet been put forward."""
    return round(datetime.combine(day, at, zone).timestamp() * 1000)


def day_words(at_ms: int, zone: tzinfo) -> str:
    """Return the local day in words, such as `Tue 29 Feb 2028`."""
    day = local_day(at_ms, zone)
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"


def time_words(at_ms: int, zone: tzinfo) -> str:
    """Return the local day and time in words, such as `Tue 29 Feb 2028 07:00`."""
    return f"{day_words(at_ms, zone)} {datetime.fromtimestamp(at_ms / 1000, zone):%H:%M}"
