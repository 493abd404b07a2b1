"""Local dates and the hours in which the keeper sleeps: which instant a local time is, across changes of clocks.

A time that a change of clocks skips is taken as the same distance after the hour before it; a time that occurs twice is the
first one. So each local date has each time exactly once.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

from rules.settings import Telling
from rules.terms.local_time import instant_ms


def local(at_ms: int, zone: tzinfo) -> datetime:
    """Return the local date and time of an instant."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)


def quiet_ms(at_ms: int, telling: Telling, zone: tzinfo) -> tuple[int, int] | None:
    """Return when the quiet hours that an instant lies in begin and end (their beginning is in them, their end not); None: it
    lies in none."""
    if telling.quiet_begin == telling.quiet_end:
        return None
    day = local(at_ms, zone).date()
    over_midnight = timedelta(days=telling.quiet_begin > telling.quiet_end)
    for first in (day - timedelta(days=1), day):
        begin_ms = instant_ms(first, telling.quiet_begin, zone)
        end_ms = instant_ms(first + over_midnight, telling.quiet_end, zone)
        if begin_ms <= at_ms < end_ms:
            return begin_ms, end_ms
    return None


def quiet_until_ms(at_ms: int, telling: Telling, zone: tzinfo) -> int | None:
    """Return when the quiet hours end that an instant lies in; None: in none."""
    hours = quiet_ms(at_ms, telling, zone)
    return None if hours is None else hours[1]


def awake_ms(at_ms: int, telling: Telling, zone: tzinfo) -> int:
    """Return the instant itself, or the end of the quiet hours that it lies in."""
    until_ms = quiet_until_ms(at_ms, telling, zone)
    return at_ms if until_ms is None else until_ms
