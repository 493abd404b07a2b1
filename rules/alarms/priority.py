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
NIGHT_WAKERS = frozenset(
    {"temperature-high", "temperature-low", "humidity-low", "heater-runaway", "heater-failed", "lid-open", "blind"}
)
"""Alarms of priority `today` that may still wake the keeper: when less time is left than the night has."""


@dataclass(frozen=True, slots=True)
class Bearable:
    """How long a garden bears one level of one alarm, by size class A to E, and what is lost then."""

    alarm: str
    level: Level
    consequence: Consequence
    hours: tuple[float, float, float, float, float]
    below: float | None = None
    above: float | None = None
    classes: str = CLASSES

    def covers(self, alarm: str, level: Level, value: float | None, size: str) -> bool:
        """Say whether this row speaks of that alarm. A bound without a value never matches: the next row is milder."""
        if (alarm, level) != (self.alarm, self.level) or size not in self.classes:
            return False
        if self.below is None and self.above is None:
            return True
        return value is not None and not (
            (self.below is not None and value >= self.below) or (self.above is not None and value < self.above)
        )


BEARABLE: tuple[Bearable, ...] = (
    Bearable("temperature-high", "harmful", "severe", (0.5, 0.5, 1, 1, 1), above=32.0),
    Bearable("temperature-high", "harmful", "severe", (3, 3, 6, 6, 6)),  # growth clearly reduced at 30 degC: Cazin 1989
    Bearable("temperature-high", "outside", "serious", (12, 12, 24, 24, 24)),
    Bearable("heater-runaway", "outside", "severe", (0.25, 0.5, 1, 1, 1)),
    Bearable("temperature-low", "harmful", "severe", (2, 2, 6, 6, 6), below=12.0),  # killing below 10 degC: Mueller 2011
    Bearable("temperature-low", "harmful", "serious", (20, 20, 60, 60, 60)),
    Bearable("temperature-low", "outside", "minor", (60, 60, 72, 72, 72)),
    Bearable("heater-failed", "harmful", "severe", (6, 6, 12, 12, 12)),
    Bearable("heater-failed", "outside", "serious", (12, 12, 24, 24, 24)),
    Bearable("humidity-low", "harmful", "severe", (0.5, 1, 2, 6, 6), below=50.0, classes="AB"),
    Bearable("humidity-low", "harmful", "severe", (1, 1, 4, 8, 8), classes="A"),
    Bearable("humidity-low", "harmful", "serious", (1, 1.5, 4, 8, 8)),
    Bearable("humidity-low", "outside", "serious", (1, 3, 8, 12, 12), classes="ABC"),
    Bearable("humidity-low", "outside", "minor", (1, 3, 8, 12, 12)),
    Bearable("humidity-high", "harmful", "minor", (12, 12, 12, 12, 12)),
    Bearable("humidity-high", "outside", "minor", (12, 12, 12, 12, 12)),
    Bearable("lid-dew", "harmful", "serious", (2, 2, 2, 2, 2)),
    Bearable("lid-dew", "outside", "minor", (12, 12, 12, 12, 12)),
    Bearable("lid-open", "outside", "severe", (0.5, 1, 2, 3, 3)),
    Bearable("lid-drip-tonight", "outside", "serious", (8, 8, 8, 8, 8)),
    Bearable("mister-stuck", "outside", "serious", (1.5, 1.5, 2, 2, 2)),
    Bearable("blind", "outside", "serious", (2, 2, 4, 4, 4)),
    Bearable("medium-down", "outside", "serious", (4, 4, 4, 4, 4)),
    Bearable("probes-disagree", "harmful", "serious", (2, 2, 4, 4, 4)),
    Bearable("probes-disagree", "outside", "minor", (24, 24, 24, 24, 24)),
    Bearable("probe-stale", "outside", "minor", (24, 24, 24, 24, 24)),
    Bearable("probe-fault", "outside", "minor", (24, 24, 24, 24, 24)),
    Bearable("probe-calibration", "outside", "minor", (240, 240, 240, 240, 240)),
)


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
    for row in BEARABLE:
        if row.covers(alarm, level, value, size):
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
