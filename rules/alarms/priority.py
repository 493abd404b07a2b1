"""How urgent an alarm is: consequence if ignored x time left x size of the garden, computed and shown with its inputs.

Where there is an account of harm it says what is left; before it has looked, the value alone is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rules.terms.condition_changes import Harm
from rules.terms.events import Level, Priority
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE, Consequence, HarmKind
from rules.trade.garden_sizes import CLASSES
from rules.trade.urgency import BANDS_H, HOUR_S, PRIORITIES, rank, urgency


@dataclass(frozen=True, slots=True)
class Judged:
    """A priority with the inputs it came from."""

    priority: Priority
    consequence: Consequence
    seconds_left: float | None
    text: str


def _from_value(kind: HarmKind, level: Level, value: float | None, size: str) -> tuple[Consequence, float]:
    """Return consequence and hours of a value that just stays; without a value, of the edge that the level begins at."""
    row = BEARABLE[kind]
    if value is None or kind == "water":  # whose alarm tells a margin, not a load
        value = row.anchor if level == "harmful" else row.hours[0][0]
    return row.consequence(value, size), row.bearable_h(value, size)


def _bearable(alarm: str, level: Level, value: float | None, limit: float | None, size: str) -> tuple[Consequence, float]:
    kind = ALARMS[alarm]
    for row in kind.bears:
        if row.level == level:
            return row.consequence, row.hours[CLASSES.index(size)]
    if kind.harm is not None and not kind.bears:
        return _from_value(kind.harm, level, value, size)
    if level == "harmful":  # no row of its own: as bad as outside, and sooner
        consequence, hours = _bearable(alarm, "outside", value, limit, size)
        return consequence, min(hours, BANDS_H[1])
    if alarm == "temperature-leaving" and value is not None and limit is not None and value <= limit:
        return "serious", BANDS_H[-1]  # it rises: heat is sudden, cold is slow
    return kind.consequence, BANDS_H[-1]


def priority_of(
    alarm: str, level: Level, *, size: str, value: float | None = None, limit: float | None = None,
    seconds_left: float | None = None, uncertain: bool = False, harm: Harm | None = None,
) -> Judged:
    """Return the priority of an alarm that stands at this level, for a garden of this size class.

    With an account of harm: what is left of it; otherwise the shorter of what was estimated from the present course and what
    such a garden bears. An alarm that has a time of its own besides is as urgent as the graver of both. `uncertain`: the
    chamber's probes disagree; then all but the severe drop by one step.
    """
    if harm is None or ALARMS[alarm].bears:
        consequence, hours = _bearable(alarm, level, value, limit, size)
        left_s = hours * HOUR_S if seconds_left is None else min(max(seconds_left, 0.0), hours * HOUR_S)
        own = _judged(consequence, left_s, size, uncertain)
        if harm is None:
            return own
    of_harm = _of_harm(harm, size, uncertain)
    found = own if ALARMS[alarm].bears and rank(own.priority) > rank(of_harm.priority) else of_harm
    # What does harm already is told by day, however long such a garden bears it.
    calm = level == "harmful" and not uncertain and rank(found.priority) < rank("today")
    return replace(found, priority="today") if calm else found


def _of_harm(harm: Harm, size: str, uncertain: bool) -> Judged:
    left_s = float("inf") if harm.left_s is None else harm.left_s
    judged = _judged(harm.consequence, left_s, size, uncertain, harm)
    text = f"{judged.text}; about {100.0 * harm.used:.0f} % of what such a garden bears is used up, by an estimate of our own"
    if harm.carried:
        text += ", as it was going when it was last seen"
    return Judged(judged.priority, judged.consequence, harm.left_s, text)


def _judged(consequence: Consequence, left_s: float, size: str, uncertain: bool, harm: Harm | None = None) -> Judged:
    priority = urgency(consequence, left_s)
    if harm is not None:
        priority = urgency(consequence, left_s, acute=harm.acute, going_away=harm.going_away)
        priority = PRIORITIES[max(rank(priority), harm.held_rank)]
    left = "it bears this" if left_s == float("inf") else f"about {_hours(left_s)} left"
    text = f"{consequence} if ignored, {left}, garden class {size}"
    if uncertain and consequence != "severe" and priority != "digest":
        priority = PRIORITIES[rank(priority) - 1]
        text += ", one step lower because the probes disagree"
    return Judged(priority, consequence, left_s, text)


def _hours(seconds: float) -> str:
    if seconds < 1.5 * HOUR_S:
        return f"{round(seconds / 60)} min"
    return f"{seconds / HOUR_S:.0f} h"
