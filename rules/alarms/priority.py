"""How urgent an alarm is: consequence if ignored x time left x size of the garden, computed and shown with its inputs.

Method: ISA TR18.2.2 and EEMUA 191 (priority from consequence and time to respond), from memory. The grid's bands are stretched
from minutes to hours because a keeper is away: common practice, no source. The times that a garden bears are the trade's,
by garden size class (`rules.situation.size_class`); common practice, no source, save where a row names one.
"""

from __future__ import annotations

from dataclasses import dataclass

from rules.terms.events import HOUR_MS, SECOND_MS, Level, Priority
from rules.trade.alarm_kinds import ALARMS, Consequence

HOUR_S = HOUR_MS // SECOND_MS
PRIORITIES: tuple[Priority, ...] = ("digest", "morning", "today", "wake")

GRID: dict[Consequence, tuple[Priority, Priority, Priority, Priority]] = {
    # less than 1 h, 1 to 4 h, 4 to 24 h, more
    "minor": ("today", "morning", "morning", "digest"),
    "serious": ("wake", "today", "today", "morning"),
    "severe": ("wake", "wake", "wake", "today"),
}
BANDS_H = (1.0, 4.0, 24.0)

CLASSES = "ABCDE"


@dataclass(frozen=True, slots=True)
class Judged:
    """A priority with the inputs it came from."""

    priority: Priority
    consequence: Consequence
    seconds_left: float | None
    text: str


def rank(priority: Priority) -> int:
    """Return 0 for the least urgent priority, 3 for the most."""
    return PRIORITIES.index(priority)


def _bearable(alarm: str, level: Level, value: float | None, limit: float | None, size: str) -> tuple[Consequence, float]:
    for row in ALARMS[alarm].bears:
        if row.covers(level, value, size):
            return row.consequence, row.hours[CLASSES.index(size)]
    if level == "harmful":  # no row of its own: as bad as outside, and sooner
        consequence, hours = _bearable(alarm, "outside", value, limit, size)
        return consequence, min(hours, BANDS_H[1])
    if alarm == "temperature-leaving" and value is not None and limit is not None and value <= limit:
        return "serious", BANDS_H[-1]  # it rises: heat is sudden, cold is slow
    return ALARMS[alarm].consequence, BANDS_H[-1]


def priority_of(
    alarm: str, level: Level, *, size: str, value: float | None = None, limit: float | None = None,
    seconds_left: float | None = None, uncertain: bool = False,
) -> Judged:
    """Return the priority of an alarm that stands at this level, for a garden of this size class.

    The time left is the shorter of what was estimated from the present course and what such a garden bears. `uncertain`: the
    chamber's probes disagree; then all but the severe drop by one step.
    """
    consequence, hours = _bearable(alarm, level, value, limit, size)
    left_s = hours * HOUR_S if seconds_left is None else min(max(seconds_left, 0.0), hours * HOUR_S)
    band = sum(left_s > bound * HOUR_S if bound == BANDS_H[-1] else left_s >= bound * HOUR_S for bound in BANDS_H)
    priority = GRID[consequence][band]
    text = f"{consequence} if ignored, about {_hours(left_s)} left, garden class {size}"
    if uncertain and consequence != "severe" and priority != "digest":
        priority = PRIORITIES[rank(priority) - 1]
        text += ", one step lower because the probes disagree"
    return Judged(priority, consequence, left_s, text)


def _hours(seconds: float) -> str:
    if seconds < 1.5 * HOUR_S:
        return f"{round(seconds / 60)} min"
    return f"{seconds / HOUR_S:.0f} h"
